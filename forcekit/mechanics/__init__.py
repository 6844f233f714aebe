"""Physics on arrays; knows no lift and no file.

timebase (uniform clock, gaps) · plate_matrix (what ties channels to force and pressure) · plate (a
recording of one or two) · foot (heel line, foot length) ·
stance (still stretches, weighing) · motion (force to velocity and travel) · crossings (sub-sample instants) ·
uncertain (numbers that carry their uncertainty)

The bar: strapdown (orientation, integrals) · bar_stillness (rests) · bar_axis (direction of the shaft) · rest_basis,
rest_smoother (error model, what the rests say) · bar_solution, bar_fit, bar (from readings to motion:
`bar.bar_motion`) · bar_readout (numbers with uncertainty) · bar_readings (channels to readings) · bar_quality,
pair_quality (what is wrong) · plate and bar on one clock: clock_map,
align (by movement; align_search, slide, gaussian), align_marks (by knocks) ·
rack, pair_fit, pair_surroundings (plate and bar together) ·
imu_calibration, gyro_calibration, allan (the sensor itself)

For work of your own, used by no command: `c3d_platform.pressure_point` and `free_moment`, pressure on a C3D platform
and the moment about the vertical there (checked in `tests/external/test_c3d_force_platforms.py` and
`tests/mechanics/test_c3d_platform.py`); `uncertain.monte_carlo`, whole distributions through any function, as the
judge of the linear intervals (`tests/external/test_jcgm101_sum.py`)
"""
