"""Processes of their own for heavy work, bounded."""
