"""Verifications and calibrations of the rig, and the record of them."""
