"""Use cases, one per verb: plain values in, an ``Answer`` out. The clock is handed in."""
