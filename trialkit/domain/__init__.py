"""Frozen values shared by every room. Nothing here reads files, draws, prints or fits."""
