"""From positions to a network of directed segments with elevation and grade."""

from roadlog.road.bridging import bridged
from roadlog.road.by_distance import find_pieces
from roadlog.road.elsewhere import elsewhere
from roadlog.road.gates import read_gates
from roadlog.road.matching import match, placed, placed_each
from roadlog.road.network import Network, Segment
from roadlog.road.raster import read_raster
from roadlog.road.segments import find_network
from roadlog.road.store import load_network, save_network

__all__ = [
    "Network",
    "Segment",
    "bridged",
    "elsewhere",
    "find_network",
    "find_pieces",
    "load_network",
    "match",
    "placed",
    "placed_each",
    "read_gates",
    "read_raster",
    "save_network",
]
