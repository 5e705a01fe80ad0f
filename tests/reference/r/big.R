# In: the CSV that make_big.py writes. Out: JSON with lme4's time (lmer() alone, reading excluded),
# REML criterion, effect, standard error and variances, to set roadlog's solver beside.
#
#   Rscript big.R TABLE.csv OUT.json [REPEATS]

suppressPackageStartupMessages({
  library(lme4)
  library(jsonlite)
})

args <- commandArgs(trailingOnly = TRUE)
if (length(args) < 2) stop("Rscript big.R TABLE.csv OUT.json [REPEATS]")
repeats <- if (length(args) > 2) as.integer(args[3]) else 3L

d <- read.csv(args[1], stringsAsFactors = TRUE)
formula <- y ~ arm + demand + speed + ambient + (1 | segment) + (1 | run) + (1 | unit)

segments_fixed <- y ~ arm + demand + speed + ambient + segment + (1 | run) + (1 | unit)

timed <- function(formula, control) {
  seconds <- numeric(0)
  for (i in seq_len(repeats)) {
    gc()
    seconds[i] <- system.time(m <- lmer(formula, d, control = control))[["elapsed"]]
  }
  v <- as.data.frame(VarCorr(m))
  list(seconds = seconds, median_seconds = median(seconds), evaluations = m@optinfo$feval, reml = REMLcrit(m),
       tau = fixef(m)[["arm"]], se = sqrt(vcov(m)["arm", "arm"]), fixed = as.list(head(fixef(m), 5)),
       variance = as.list(setNames(v$vcov, v$grp)), messages = as.list(m@optinfo$conv$lme4$messages))
}

result <- list(
  rows = nrow(d), levels = lapply(d[c("segment", "run", "unit")], nlevels), formula = deparse(formula, width.cutoff = 500),
  default = timed(formula, lmerControl()),
  without_derivative_check = timed(formula, lmerControl(calc.derivs = FALSE)),
  segments_fixed_formula = deparse(segments_fixed, width.cutoff = 500),
  segments_fixed = timed(segments_fixed, lmerControl()),
  tight = timed(formula, lmerControl(optimizer = "bobyqa", calc.derivs = FALSE, optCtrl = list(rhoend = 1e-10))),
  versions = list(R = paste(R.version$major, R.version$minor, sep = "."), lme4 = as.character(packageVersion("lme4")),
                  Matrix = as.character(packageVersion("Matrix")), blas = extSoftVersion()[["BLAS"]]),
  cores = parallel::detectCores()
)
write_json(result, args[2], auto_unbox = TRUE, digits = NA, pretty = 1)
