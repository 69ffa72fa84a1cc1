"""Heat: where the losses go and how oil, case, cooler tank, coolant and engine block exchange it."""

OIL_GRID = 0.1
"""Grid positions per kelvin in the drag table, which starts at `OIL_GRID_START_C`."""
OIL_GRID_START_C = -40.0


def radiator_opening(coolant_c: float, opens_c: float, open_c: float) -> float:
    """Return how far the thermostat is open, 0 to 1, linear between its two temperatures."""
    return min(max((coolant_c - opens_c) / (open_c - opens_c), 0.0), 1.0)


def fan_engagement(coolant_c: float, starts_c: float, full_c: float) -> float:
    """Return the viscous fan's engagement, 0 to 1, linear between its two coolant temperatures."""
    return min(max((coolant_c - starts_c) / (full_c - starts_c), 0.0), 1.0)
