"""The one error that a user of the workbench is meant to see."""


class UserError(Exception):
    """Something in the user's input is wrong.

    The text is one line that says which file, which key or row, what is wrong and what would be right.
    The command line prints it and exits with code 2; nothing else of the program's insides is shown.
    """
