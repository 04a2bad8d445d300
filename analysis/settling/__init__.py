"""The settling filter: from a stream of readings to one that can be trusted."""

from .filter import SettlingFilter
from .memory import NoiseMemory
from .result import Reason, Settling
from .stream import settle_stream

__all__ = ["NoiseMemory", "Reason", "Settling", "SettlingFilter", "settle_stream"]
