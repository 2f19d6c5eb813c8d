"""Sap in part-full pipes, air in the free section above it, the sizes one can buy.

``sap`` is Manning's formula in a circular segment, ``air`` isothermal flow of thin
air, ``catalogue`` the pipes of ``templates/pipes.csv``, ``natural`` the vacuum that
a falling column of sap makes by itself, ``sizing`` the choice of sizes on a tree of
reaches and ``ends`` the arithmetic of pump, releaser, trap and tank.
"""
