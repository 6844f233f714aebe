"""forcekit measures the dip and drive of the jerk from a force plate and a sensor on the bar."""
