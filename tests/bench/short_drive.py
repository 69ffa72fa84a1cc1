"""A drive that takes about a second to compare: a minute of sand in second gear, band low."""

SHORT_DRIVE = """
title = "Short"
about = "A minute of sand."
ambient_c = 30.0
oil_c = 88.0
coolant_c = 85.0

[[point]]
at_s = 0.0
speed_kmh = 0.0
surface = "sand"
gear_limit = 2

[[point]]
at_s = 15.0
speed_kmh = 30.0

[[point]]
at_s = 45.0
speed_kmh = 42.0

[[point]]
at_s = 60.0
speed_kmh = 44.0

[[event]]
at_s = 1.0
band = "low"
"""
