"""Figures: one function per figure, ``draw_x(ax, result) -> ax``; nothing here knows the page."""
