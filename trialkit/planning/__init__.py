"""Room `planning`; see DEVELOPERS.md."""
