"""Room `protocol`; see DEVELOPERS.md."""
