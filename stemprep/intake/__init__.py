"""What was dropped: listed or unpacked without leaving the drop, and given roles, songs and groups."""
