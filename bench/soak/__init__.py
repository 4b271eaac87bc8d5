"""Days in hours: does anything grow?"""
