"""Telling the answer: the page, its figures, words, printed digits, checklist and data files."""
