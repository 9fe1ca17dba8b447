"""What holds for every test: linear algebra on one thread, as in the planner child.

The order of a sum depends on the number of threads, so a plan made here would otherwise differ in
its last digits from the child's; and the workers of a test run would get in each other's way.
"""

from __future__ import annotations

from controller import threads

threads.use_one()
