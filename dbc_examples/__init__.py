"""Example DBC files and the maps that bind them to signals."""
