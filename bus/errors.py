"""What stops a bench run: not the user's input but the bus or the node at its other end."""


class BusError(Exception):
    """The run stopped. One line: what happened and when; the command line prints it and exits with code 1."""


class SilenceError(BusError):
    """The other end fell silent."""
