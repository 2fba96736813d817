"""Writers of results: pictures, records, tables, sheets. Nothing here decides anything."""
