"""Allocation schemes, draws and rests, threats to validity, and the dating of periods."""
