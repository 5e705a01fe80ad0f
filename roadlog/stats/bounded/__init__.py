"""REML with variances bounded at zero, and the degrees of freedom beside it."""
