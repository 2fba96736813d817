"""Many photos of one tree or more: a folder to rows, rows to limbs, limbs to a tree's plan.

Read in this order: ``photos`` (the work on one photo), ``checkpoint`` (what is done), ``run``
(where it runs); ``assignment``, ``card_code`` (whose photo); ``group``, ``folder`` (all
of it); ``estimate``, ``sampling``, ``hidden``, ``both_sides`` (numbers from a few limbs);
``facts``, ``count``, ``target``, ``sheet``, ``plan`` (one tree).
"""
