"""Every sentence people read: made as code and values, rendered from one catalogue per language."""
