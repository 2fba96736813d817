"""The limb: its line from base to tip, its thickness, and where the fruit hang on it."""
