# In: nothing (tables are simulated here with a fixed seed; Machines comes with nlme, dat.bcg with
# metadat). Out: OUTDIR/fleet_units.csv, fleet_rollout.csv, machines.csv, bcg.csv and
# fleet_expected.json with what lme4, metafor and lm make of them: the reference for docs/fleet.md.
#
#   Rscript fleet.R OUTDIR [--tables]     --tables: only write machines.csv and bcg.csv

suppressPackageStartupMessages({
  library(lme4)
  library(nlme)
  library(metafor)
  library(jsonlite)
})
RNGkind("Mersenne-Twister", "Inversion", "Rejection")
args <- commandArgs(trailingOnly = TRUE)
outdir <- args[1]
dir.create(outdir, showWarnings = FALSE, recursive = TRUE)
write <- function(d, name) {
  for (i in names(d)) if (is.numeric(d[[i]])) d[[i]] <- formatC(d[[i]], digits = 17, format = "g", width = 1)
  write.csv(d, file.path(outdir, name), row.names = FALSE, quote = FALSE)
}
machines <- as.data.frame(Machines)
machines <- data.frame(worker = as.character(machines$Worker), machine = as.character(machines$Machine),
                       score = machines$score)
bcg <- escalc(measure = "RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg)
write(machines, "machines.csv")
write(data.frame(yi = as.numeric(bcg$yi), vi = as.numeric(bcg$vi)), "bcg.csv")
if ("--tables" %in% args) quit()

# Vehicles of 4 to 20 days in blocks of four; a unit weighs size/(size + mean size).
set.seed(20261126)
sizes <- rep(c(4, 8, 12, 20), 5)
units <- do.call(rbind, lapply(seq_along(sizes), function(i) {
  n <- sizes[i]
  arm <- as.vector(replicate(n / 4, sample(c(0, 0, 1, 1))))
  size <- round(runif(n, 500, 3000))
  w <- size / (size + mean(size))
  data.frame(vehicle = sprintf("v%02d", i), block = sprintf("v%02db%02d", i, (seq_len(n) - 1) %/% 4 + 1),
             arm = arm, size = size, w = w,
             z = rnorm(1) + (rnorm(1, -0.03, 0.015)) * arm + rnorm(n, 0, 0.02) / sqrt(2 * w))
}))
write(units, "fleet_units.csv")
# Polished past lme4's optimiser, which stops at about 1e-5 of the spread.
reml <- function(formula) {
  fit <- lmer(formula, units, weights = w, REML = TRUE,
              control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12)))
  f <- update(fit, devFunOnly = TRUE)
  theta <- optimize(f, c(0, 4), tol = 1e-12)$minimum
  fit <- update(fit, start = theta, control = lmerControl(optimizer = NULL, calc.derivs = FALSE))
  v <- as.data.frame(VarCorr(fit))
  list(estimate = fixef(fit)[["arm"]], se = sqrt(vcov(fit)["arm", "arm"]),
       tau2 = v$vcov[1], sigma2 = sigma(fit)^2)
}
plain <- reml(z ~ 0 + vehicle + arm + (0 + arm | vehicle))
blocked <- reml(z ~ 0 + block + arm + (0 + arm | vehicle))

two <- droplevels(subset(machines, machine %in% c("A", "B")))
fit <- lmer(score ~ machine + (1 | worker) + (1 | worker:machine), two)
v <- as.data.frame(VarCorr(fit))
of_machines <- list(estimate = fixef(fit)[["machineB"]], se = sqrt(vcov(fit)[2, 2]),
                    interaction = v$vcov[v$grp == "worker:machine"], sigma2 = sigma(fit)^2)

r <- rma(yi, vi, data = bcg, test = "knha", method = "REML", control = list(threshold = 1e-12))
ends <- confint(r, control = list(tol = 1e-12))$random["tau^2", ]
trials <- list(estimate = as.numeric(r$beta), se = r$se, low = r$ci.lb, high = r$ci.ub, tau2 = r$tau2,
               tau2_low = ends[["ci.lb"]], tau2_high = ends[["ci.ub"]],
               without = as.numeric(leave1out(rma(yi, vi, data = bcg, tau2 = r$tau2))$estimate))

# A roll-out with holes: vehicles and weeks by lm on the untreated cells, the rest held against it.
n <- 9; t <- 8
start <- sample(rep(1:7, length.out = n))
cells <- expand.grid(vehicle = seq_len(n), week = 0:(t - 1))
cells$start <- start[cells$vehicle]
cells$size <- ifelse(runif(nrow(cells)) < 0.1 & cells$week > 0, 0, round(runif(nrow(cells), 1, 4), 2))
cells$y <- rnorm(n)[cells$vehicle] + rnorm(t, 0, 0.1)[cells$week + 1] -
  0.05 * (cells$week >= cells$start) + rnorm(nrow(cells), 0, 0.03)
write(cells, "fleet_rollout.csv")
seen <- subset(cells, size > 0)
free <- subset(seen, week < start)
base <- lm(y ~ factor(vehicle) + factor(week), free, weights = size)
held <- subset(seen, week >= start & week %in% free$week & vehicle %in% free$vehicle)
held$above <- held$y - predict(base, held)
own <- sapply(split(held, held$vehicle), function(d) weighted.mean(d$above, d$size))
amount <- sapply(split(held, held$vehicle), function(d) sum(d$size))
share <- amount / (amount + mean(amount))
rollout <- list(own = own, vehicle = as.integer(names(own)), estimate = weighted.mean(own, share))

write_json(list(plain = plain, blocked = blocked, machines = of_machines, bcg = trials, rollout = rollout),
           file.path(outdir, "fleet_expected.json"), digits = 15, auto_unbox = TRUE, pretty = TRUE)
