"""Studies from strangers, faults of the machine, and whether the tests would notice."""
