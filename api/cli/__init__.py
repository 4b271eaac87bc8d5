"""The `drumlin` command; each module one group of commands."""
