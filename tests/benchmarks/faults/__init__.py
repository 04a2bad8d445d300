"""What comes of faults in large numbers: kills, bad input, a month of mishaps, a lift that is hindered."""
