"""Sizes every mainline for sap and air, and says what must stand at its end.

:func:`size` turns hung mainlines and their laterals into pipes, vacuum at every entry
and one :class:`~pipeline.records.Station` per collection point.

* ``network`` cuts mainlines into reaches and sums along the tree.
* ``choose`` picks the size of every reach and works out the vacuum.
* ``pieces`` merges reaches of one size into the pipes that a crew hangs.
* ``ends`` does pump, releaser, moisture trap and tank.
* ``remarks`` says in findings what does not hold and what would mend it.
"""

from __future__ import annotations

from pipeline.findings import Finding
from pipeline.flow import choose, ends, network, pieces, remarks
from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.records import CollectionPoint, Flow, Grouping, Mainline
from pipeline.settings import Settings

__all__ = ["size"]


def size(
    *,
    mainlines: tuple[Mainline, ...],
    grouping: Grouping,
    collections: tuple[CollectionPoint, ...],
    settings: Settings,
) -> tuple[Flow, tuple[Finding, ...]]:
    """Return pipe sizes, vacuum and equipment of the whole network.

    Parameters
    ----------
    mainlines : tuple of Mainline
        Hung lines, in any order.
    grouping : Grouping
        Laterals; their taps and entry stations are used.
    collections : tuple of CollectionPoint
        Where the networks end.
    settings : Settings
        ``[flow]``, and the sag allowance of ``[mainlines]``.

    Returns
    -------
    Flow
        Pipes by mainline from the bottom up, stations, vacuum per lateral.
    tuple of Finding
        ``FILL_OVER``, ``NO_FALL``, ``VACUUM_SHORT``, ``VACUUM_ALTITUDE``, ``PAIR_ADDED``,
        ``PAIR_WITHOUT_PUMP``, ``SENSITIVITY``, ``RELEASER_POWER``, ``NATURAL_VACUUM``.

    Raises
    ------
    ValueError
        When records contradict one another, or the catalogue or wire is not in the templates.
    """
    sizes = mainline_sizes(settings.flow.pipes)
    tree = network.build(mainlines=mainlines, grouping=grouping, collections=collections)
    load = choose.load(tree=tree, grouping=grouping, collections=collections, settings=settings)
    choice = choose.choose(tree=tree, load=load, sizes=sizes, settings=settings)
    vacuum = choose.vacuum(tree=tree, load=load, choice=choice, sizes=sizes)
    pipes = pieces.pipes(tree=tree, load=load, choice=choice, vacuum=vacuum, sizes=sizes, settings=settings)
    stations = ends.stations(
        tree=tree, load=load, vacuum=vacuum, collections=collections, settings=settings
    )
    findings = remarks.remarks(
        tree=tree, load=load, choice=choice, vacuum=vacuum, pipes=pipes, sizes=sizes,
        grouping=grouping, collections=collections, settings=settings,
    )
    return Flow(pipes=pipes, stations=stations, entry_vacuum_kpa=vacuum.entry_kpa), findings
