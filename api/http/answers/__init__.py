"""What is sent back: problems, described bodies, files of the page, answers kept for a while."""
