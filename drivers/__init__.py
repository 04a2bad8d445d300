"""What balances and lifts say and obey; no idea of runs, stores or clients."""
