"""Scans: recorded, resumed, zone by zone, of a raised board, and chosen again for a fit."""
