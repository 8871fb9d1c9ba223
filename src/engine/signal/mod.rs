//! Cleaning: plausibility, standard tests, outliers, smoothing, quantisation, sensor health.
