"""Who comes to do harm over the network, and what the running service makes of it."""
