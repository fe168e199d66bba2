"""Room `app`; see DEVELOPERS.md."""
