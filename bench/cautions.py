"""The usual cautions, word for word the same wherever they stand."""

CAUTIONS = (
    "A simulation is not a road test: it shows what rules do to a model, and a model leaves things out.",
    "Test off-road, with a trained person and a way to cut the command at once.",
    "Local vehicle law and licensed practice decide what may be fitted and driven.",
)
