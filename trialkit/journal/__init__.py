"""Room `journal`; see DEVELOPERS.md."""
