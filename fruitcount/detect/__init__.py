"""Maps in, fruitlets out: circles, what each is, and how large."""
