"""A simulated lifter with known truth: motion first, then what a plate would have said about it.

It shares no code with `forcekit.mechanics` or `forcekit.analysis`, because the truth must not come from what it tests.

- `shapes`      smooth building blocks of motion
- `plan`        `LiftPlan`: everything that can be chosen about a lift
- `dip`         how the common mass of lifter and bar moves in dip, drive, flight and landing
- `path`        body, bar, shaft and pressure around it: one lift as a chunk of motion
- `motion`      `Motion`, `LiftTruth`; chunks become one motion, sway and breathing come on top, forces come out
- `truth`       the true value of every measure
- `lifter`      `simulate_lift`: one lift
- `faults`      plans with one clear fault each, and random plans
- `reps`        another rep of the same lifter
- `bend`        a bar that bends, a body that is partly soft
- `knocks`      the sensor knocked on the plate, as a mark for both clocks
- `between`     what happens between lifts
- `session`     `simulate_session`: many lifts and everything between them
- `plates`      `PlateSensor` and the kinds of force plates
- `sensors`     `record_plate`: gain, zero, drift, noise, counts, lost samples
- `bar_sensor`  an inertial sensor on the bar
- `write`       CSV in any dialect, device file, attempt card, truth
- `samples`     ``python -m forcekit.simulate.samples OUTDIR`` makes the sample signals
"""
