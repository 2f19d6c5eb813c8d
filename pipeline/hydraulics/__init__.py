"""Sap in part-full pipes, air in the free section above it, the sizes one can buy.

``sap`` is Manning's formula in a circular segment, ``air`` isothermal flow of thin
air, ``catalogue`` the pipes of ``templates/pipes.csv``, ``natural`` the vacuum that
a falling column of sap makes by itself, ``sizing`` which size a reach needs, and
``risers`` where the wet line of a pair breathes into its dry line.
"""
