"""The settling filter: from a stream of readings to one that can be trusted."""
