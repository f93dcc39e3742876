"""Pure computation of the trade: values in, values out; no framework, clock, chance or I/O."""
