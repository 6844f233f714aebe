"""Physics on arrays; knows no lift and no file.

timebase (uniform clock, gaps) · plate (channels to force and pressure) · foot (heel line, foot length) ·
stance (still stretches, weighing) · motion (force to velocity and travel) · crossings (sub-sample instants) ·
uncertain (numbers that carry their uncertainty)
"""
