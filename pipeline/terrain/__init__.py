"""The ground: an elevation grid, what can be read off it, and how far its grades can be trusted."""
