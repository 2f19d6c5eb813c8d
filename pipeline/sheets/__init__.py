"""Printed sheets: pages are planned as frozen records in points, drawn last."""
