"""Render training photographs: ``python -m fruitcount.training.render --out DIR --count N``."""

from .run import main

# The work itself lives in run.py: worker processes cannot find functions of a ``__main__``.
if __name__ == "__main__":
    main()
