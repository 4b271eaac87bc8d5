"""Every claim of speed or accuracy, as a command: `python -m bench.NAME --json`."""
