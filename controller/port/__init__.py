"""From rules to firmware: C99 text, calibration image, test vectors, and the checks that link them to the rules."""
