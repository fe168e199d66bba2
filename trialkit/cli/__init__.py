"""Room `cli`; see DEVELOPERS.md."""
