"""Physics on arrays; knows no lift and no file.

timebase (uniform clock, gaps) · plate_matrix (what ties channels to force and pressure) · plate (a
recording of one or two) · foot (heel line, foot length) ·
stance (still stretches, weighing) · motion (force to velocity and travel) · crossings (sub-sample instants) ·
uncertain (numbers that carry their uncertainty)

The bar: strapdown (orientation, integrals) · bar_stillness (rests) · bar_axis (direction of the shaft) · rest_basis,
rest_smoother (error model, what the rests say) · bar_solution, bar_fit, bar (from readings to motion:
`bar.bar_motion`) · bar_readout (numbers with uncertainty) · bar_readings (channels to readings) · bar_quality,
pair_quality (what is wrong) · plate and bar on one clock: clock_map,
align (by movement; align_search, slide), align_marks (by knocks) ·
rack, pair_fit, pair_surroundings (plate and bar together) ·
imu_calibration, gyro_calibration, allan (the sensor itself)
"""
