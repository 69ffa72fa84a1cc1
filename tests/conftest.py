"""For every test: how long an example takes on a busy machine says nothing of the code."""

from hypothesis import settings

if settings.get_current_profile_name() == "default":  # a mutation run brings its own
    settings.register_profile("unhurried", deadline=None)
    settings.load_profile("unhurried")
