"""People and shops: who they are, what they may do. Knows nothing of the wholesale trade."""
