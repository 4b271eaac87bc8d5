"""A rig and a truck behind a serial port: physics of its own, known to the rest only by its bytes."""
