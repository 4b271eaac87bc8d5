"""One module per change of the tables, oldest first."""
