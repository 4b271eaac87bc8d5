"""Plans repeated and alternated under like conditions, as pure steps."""
