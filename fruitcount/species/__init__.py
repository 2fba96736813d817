"""One TOML file a species; every number says where it comes from and how sure that is.

Adding a species needs one more file in this folder and no code.
"""
