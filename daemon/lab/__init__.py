"""Several benches, one archive: copies of the benches' stores, which no bench ever waits for."""
