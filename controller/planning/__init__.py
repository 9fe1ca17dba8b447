"""Planning and learning: from history and bookings to a timetable and to parameters.

Runs in the planner child and in rehearsal, never in the guard process: numpy is allowed here.
Nothing here reads a clock or reaches a relay.
"""
