"""Rehearsal: the real cycle, planner and calendar against a simulated workshop.

The virtual workshop here has more states than the models fitted to it and shares no code with
them, so that nothing is tested against itself.
"""
