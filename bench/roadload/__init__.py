"""A simulated road: steps, slopes and traces against free rolls that would have coasted them."""
