"""The reference front end: C core beside the Python board, and its image on an emulated chip."""
