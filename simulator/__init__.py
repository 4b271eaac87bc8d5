"""A rig and a truck behind a serial port: the rest knows its physics only by its bytes.

`rig_and_truck` is the physical side, `front_end` the board that meets the wire, `plant` joins them.
"""
