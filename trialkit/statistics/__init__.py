"""Room `statistics`; see DEVELOPERS.md."""
