"""The only writers: one function per change, one file per noun."""
