"""An amendment trial logbook: plan, log, sample, and see what an amendment releases and when."""

__version__ = "0.2.0"
