"""The settling filter: from a stream of readings to one that can be trusted."""

from .noise_memory import NoiseMemory
from .offline import settle_stream
from .settling_filter import SettlingFilter
from .settling_state import Reason, Settling

__all__ = ["NoiseMemory", "Reason", "Settling", "SettlingFilter", "settle_stream"]
