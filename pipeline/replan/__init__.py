"""After a blowdown: what broke, the cheapest legal repair of each piece, and the order of the work; new trees too.

* ``damage`` says of every tree, lateral, span, support and crossing whether it is lost, hit, near or clear.
* ``runs`` gathers damaged spans and laterals into pieces that are decided one by one.
* ``detour`` looks for a new way of a mainline round blown ground; ``splice`` puts it in.
* ``regroup`` leads trees that lost their line to surviving mainlines.
* ``added`` puts new trees behind those of the plan; ``extend`` leads them to laterals with taps to spare.
* ``outcome`` builds the plan of one combination of decisions and its cost; ``choose`` finds the cheapest.
* ``flows``, ``zoning``, ``record`` and ``sums`` size-check, section and record the result; ``order`` orders the work.

Whatever no damage touched keeps its geometry, ID, size and height, and its sheets.
"""

from __future__ import annotations

from pipeline.replan.damage import assess
from pipeline.replan.stage import Replanned, assessed, replan

__all__ = ["Replanned", "assess", "assessed", "replan"]
