"""A device that speaks a map: its frames in C, firmware around the port's rules, and the ways to run it."""
