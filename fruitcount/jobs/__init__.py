"""What the commands do: count or read, decide, and have it written."""
