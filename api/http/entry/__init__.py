"""Who may come in, and how much each may ask: connections, callers, tokens, budgets."""
