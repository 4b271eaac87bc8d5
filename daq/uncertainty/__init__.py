"""Uncertainty after JCGM 100 and 101: budgets, propagation, statistics."""
