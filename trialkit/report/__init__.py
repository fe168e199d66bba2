"""Room `report`; see DEVELOPERS.md."""
