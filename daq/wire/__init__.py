"""The wire between front end and host: typed frames in, typed frames out, no I/O."""
