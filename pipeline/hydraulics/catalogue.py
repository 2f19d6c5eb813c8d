"""The pipes one can buy: ``templates/pipes.csv`` as frozen records."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.resources import template_rows


@dataclass(frozen=True, slots=True)
class PipeSize:
    """One row of ``templates/pipes.csv``.

    Parameters
    ----------
    catalogue : str
        Key, as written in ``[flow] pipes``.
    nominal : str
        What to ask for in the shop; never used in arithmetic.
    inner_diameter_mm, outer_diameter_mm : float
        Bore and outside.
    weight_n_per_m : float
        Weight of the empty pipe.
    role : str
        ``mainline`` or ``lateral``.
    roll_m : float
        Length of a roll.
    source, status : str
        Where the figures come from and how far to trust them.
    """

    catalogue: str
    nominal: str
    inner_diameter_mm: float
    outer_diameter_mm: float
    weight_n_per_m: float
    role: str
    roll_m: float
    source: str
    status: str


def pipe_rows() -> tuple[PipeSize, ...]:
    """Return every row of the template, in file order."""
    return tuple(
        PipeSize(
            catalogue=row["catalogue"],
            nominal=row["nominal"],
            inner_diameter_mm=float(row["inner_diameter_mm"]),
            outer_diameter_mm=float(row["outer_diameter_mm"]),
            weight_n_per_m=float(row["weight_n_per_m"]),
            role=row["role"],
            roll_m=float(row["roll_m"]),
            source=row["source"],
            status=row["status"],
        )
        for row in template_rows("pipes.csv")
    )


def mainline_sizes(catalogue: str) -> tuple[PipeSize, ...]:
    """Return the mainline sizes of one catalogue, smallest bore first.

    Raises
    ------
    ValueError
        When the template has no such catalogue; the message lists those it has.
    """
    rows = [row for row in pipe_rows() if row.role == "mainline"]
    chosen = sorted((row for row in rows if row.catalogue == catalogue), key=lambda r: r.inner_diameter_mm)
    if not chosen:
        known = ", ".join(dict.fromkeys(row.catalogue for row in rows))
        raise ValueError(f"no catalogue {catalogue!r} of mainline pipe; templates/pipes.csv has {known}")
    return tuple(chosen)


def lateral_size(nominal: str) -> PipeSize:
    """Return the lateral tubing of one nominal size.

    Raises
    ------
    ValueError
        When the template has no such lateral tubing.
    """
    rows = [row for row in pipe_rows() if row.role == "lateral"]
    for row in rows:
        if row.nominal == nominal:
            return row
    raise ValueError(f"no lateral tubing {nominal!r}; templates/pipes.csv has {', '.join(r.nominal for r in rows)}")
