"""What a protocol can and cannot find out: simulation as it will be run, closed forms, series."""
