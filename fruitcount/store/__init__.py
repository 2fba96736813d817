"""Records: trees, limbs, seasons, photos, corrections and decisions.

SQLite by a file name, PostgreSQL by a URL. Read in this order: ``tables`` (what there is, and
versions), ``base`` (opening), ``photos``, ``photo_record``, ``kept`` (the one edit log),
``orchard``, ``limbs``, ``archive`` and ``open_folder`` (export and import).
"""
