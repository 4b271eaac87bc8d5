"""The reference front end seen from the host: its configuration, its image, its conformance."""
