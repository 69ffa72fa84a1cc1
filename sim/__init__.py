"""What the vehicle would do: engine, converter, clutch, gearbox, road, heat, driver, drives and the loop."""
