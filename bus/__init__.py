"""How it talks: DBC binding, protection, nodes, clocks, faults, logs."""
