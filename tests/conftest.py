"""For every test: a busy machine, or how the suite was started, says nothing of the code."""

import signal

from hypothesis import settings

if settings.get_current_profile_name() == "default":  # a mutation run brings its own
    settings.register_profile("unhurried", deadline=None)
    settings.load_profile("unhurried")

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # Started in the background by a shell, the suite is deaf to an interrupt, and so would be what it starts and stops.
    signal.signal(signal.SIGINT, signal.default_int_handler)
