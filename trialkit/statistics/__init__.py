"""Estimates, noise, tests, verdict, traces and series: arrays in, results out."""
