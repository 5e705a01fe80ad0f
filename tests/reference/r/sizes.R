# Sizes and powers of t tests by R's own power.t.test (stats package); run: Rscript sizes.R
# Columns: d, n an arm for 80 % power (two samples), pairs for 80 % power (sd of differences 1).
for (d in c(0.5, 0.8, 1.0, 1.2)) {
  two <- power.t.test(delta = d, power = 0.8, strict = TRUE)$n
  pairs <- power.t.test(delta = d, power = 0.8, type = "paired", strict = TRUE)$n
  cat(d, ceiling(two), ceiling(pairs), "\n")
}
# Columns: pairs, power at a difference of one standard deviation of the differences.
for (n in c(4, 6, 8, 12, 20))
  cat(n, format(power.t.test(n = n, delta = 1, type = "paired", strict = TRUE)$power, digits = 10), "\n")
