"""From orders to loads on days: explode → net → batch → plan → promise, and an independent check."""
