"""From positions to a network of directed segments with elevation and grade."""

from roadlog.road.matching import match
from roadlog.road.network import Network, Segment
from roadlog.road.segments import find_network

__all__ = ["Network", "Segment", "find_network", "match"]
