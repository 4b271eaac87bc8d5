"""A rig and a truck behind a serial port: the rest knows its physics only by its bytes."""
