"""The science: pure functions of numbers and arrays. No files, no clock, no service."""
