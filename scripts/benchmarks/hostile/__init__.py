"""Files and moments that mean harm: mutated inputs to every reader, kills and signals at any moment
of every command that writes.
"""
