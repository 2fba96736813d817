"""What hand-corrected photos of a tree teach about its others: examples, tuning, trial."""
