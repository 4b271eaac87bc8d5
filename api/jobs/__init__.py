"""The one door for heavy work: each job in a process of its own, bounded."""
