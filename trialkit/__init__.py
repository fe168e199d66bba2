"""trialkit: randomised single-athlete (n-of-1) trials, from the question to an honest answer."""

__version__ = "0.1.0"
