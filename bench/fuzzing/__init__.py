"""Fuzzing: random vehicles, drives, calibrations, presses and faults in compiled lanes; what fails, made small."""
