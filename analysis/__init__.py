"""Pure computation: from readings to loops and figures; no clock, no devices."""
