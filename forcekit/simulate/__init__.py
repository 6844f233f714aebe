"""A simulated lifter with known truth: motion first, then what a plate would have said about it.

It shares no code with `forcekit.mechanics` or `forcekit.analysis`, because the truth must not come from what it tests.

- `shapes`   smooth building blocks of motion
- `motion`   `Motion`, `LiftTruth`; puts chunks of commanded motion together, adds sway and breathing, works out forces
- `lifter`   `LiftPlan`, `simulate_lift`: one dip and drive of a lifter with a bar
- `path`     how a `LiftPlan` becomes motion of the system, the bar and the pressure
- `truth`    the true value of every measure
- `faults`   plans with one clear fault each, and random plans
- `session`  many lifts and everything between them in one recording
- `sensors`  force plates of every kind: gain, zero, drift, noise, counts, lost samples
- `write`    CSV, device file and truth file
- `samples`  ``python -m forcekit.simulate.samples OUTDIR``
"""
