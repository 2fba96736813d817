"""From a file to arrays: the photo, its quality, and its scale."""
