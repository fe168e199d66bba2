"""Room `ingest`; see DEVELOPERS.md."""
