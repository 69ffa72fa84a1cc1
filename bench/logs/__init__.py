"""After the drive: reading a recording, explaining it, replaying rules on it, fitting the vehicle, checking a run."""
