"""Raw recordings: written as it happens, read back whole or hurt."""
