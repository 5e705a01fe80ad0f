# In: tables of passes (CSV files). Out: OUT.json with what one model over all passes makes of each:
# a vehicle's segments, blocks and driving, the arm with each vehicle's own effect beside the
# fleet's, and a scatter each for a vehicle's days and for its passes: the reference for
# docs/fleet.md. `fixed`: vehicle:segment and vehicle:block fixed; `random`: vehicles, their segments
# and days random.
#
#   Rscript fleet_passes.R OUT.json TABLE.csv...

suppressPackageStartupMessages({
  library(lmerTest)
  library(jsonlite)
})
args <- commandArgs(trailingOnly = TRUE)
strict <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10), check.conv.singular = "ignore")
of <- function(formula, d) {
  fit <- suppressMessages(suppressWarnings(lmer(formula, d, REML = TRUE, control = strict)))
  row <- coef(summary(fit, ddf = "Satterthwaite"))["arm", ]
  half <- qt(0.975, row[["df"]]) * row[["Std. Error"]]
  v <- as.data.frame(VarCorr(fit))
  spread <- v$vcov[!is.na(v$var1) & v$var1 == "arm"]
  list(estimate = row[["Estimate"]], se = row[["Std. Error"]], df = row[["df"]],
       low = row[["Estimate"]] - half, high = row[["Estimate"]] + half, spread = sqrt(spread[1]))
}
found <- lapply(args[-1], function(path) {
  d <- read.csv(path, colClasses = c(vehicle = "character", segment = "character", block = "character",
                                     day = "character"))
  d$y <- log(d$fuel_ml / d$distance_km)
  d$work <- d$demand_kj_per_km / 500
  d$pace <- d$duration_s / d$distance_km / 60
  d$vs <- interaction(d$vehicle, d$segment, drop = TRUE)
  d$vb <- interaction(d$vehicle, d$block, drop = TRUE)
  d$vd <- interaction(d$vehicle, d$day, drop = TRUE)
  list(fixed = of(y ~ 0 + vs + vb + vehicle:work + vehicle:pace + arm + (0 + arm | vehicle) + (1 | vd), d),
       random = of(y ~ segment + work + pace + arm + (1 | vehicle) + (0 + arm | vehicle) + (1 | vs) +
                     (1 | vd), d))
})
names(found) <- sub("\\.csv$", "", basename(args[-1]))
write_json(found, args[1], digits = 12, auto_unbox = TRUE, pretty = TRUE)
