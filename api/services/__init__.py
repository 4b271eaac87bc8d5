"""What routes and the command line both call."""
