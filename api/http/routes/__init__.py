"""One module a resource; each listener includes those that it serves."""
