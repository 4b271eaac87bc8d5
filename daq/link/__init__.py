"""The serial port and its time: one file touches the port, one owns the clocks."""
