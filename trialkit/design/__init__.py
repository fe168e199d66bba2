"""Room `design`; see DEVELOPERS.md."""
