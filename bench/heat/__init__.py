"""How long and how hot: answers before a test, the estimate during it, and what they cost."""
