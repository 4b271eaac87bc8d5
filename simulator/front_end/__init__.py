"""The boards that meet the wire: one in Python, one an emulated chip. They know no physics."""
