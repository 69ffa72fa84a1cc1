"""The rules: signals, calibration, interlocks, chart and step. Imports nothing else of ours."""
