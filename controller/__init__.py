"""The slabtide service: readings in, decisions recorded, heat switched under hard limits."""

__version__ = "0.1.0"
