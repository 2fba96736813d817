"""What the limb carries at harvest: moment, stress, load factor, and what helps."""
