"""Converter counts to force: load cell, zero, and how late force is against speed."""
