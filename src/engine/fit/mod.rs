//! Curve fits with guards and goodness of fit.
