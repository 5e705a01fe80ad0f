# In: nothing (tables are simulated here with a fixed seed; four come with R's package lme4).
# Out: OUTDIR/<name>.csv for each simulated table and OUTDIR/expected.json with what lme4, lmerTest,
# pbkrtest and nlme make of it: the reference for method section 5 (effect model).
#
#   Rscript fit.R OUTDIR
#   Rscript fit.R OUTDIR --tables-of-lme4     only write sleepstudy, Penicillin, Dyestuff, Pastes as CSV

suppressPackageStartupMessages({
  library(lme4)
  library(nlme)
  library(jsonlite)
})

RNGkind("Mersenne-Twister", "Inversion", "Rejection")
args <- commandArgs(trailingOnly = TRUE)
if (length(args) < 1) stop("Rscript fit.R OUTDIR [--tables-of-lme4]")
outdir <- args[1]
dir.create(outdir, showWarnings = FALSE, recursive = TRUE)

# --- tables -------------------------------------------------------------------------------------

# Decimal text that reads back to the same double.
exact <- function(x) {
  text <- formatC(x, digits = 15, format = "g", width = 1)
  lossy <- as.numeric(text) != x
  text[lossy] <- formatC(x[lossy], digits = 17, format = "g", width = 1)
  stopifnot(as.numeric(text) == x)
  text
}

write_table <- function(d, name) {
  for (column in names(d)) if (is.numeric(d[[column]])) d[[column]] <- exact(d[[column]])
  write.csv(d, file.path(outdir, paste0(name, ".csv")), row.names = FALSE, quote = FALSE)
}

read_table <- function(name) {
  read.csv(file.path(outdir, paste0(name, ".csv")), stringsAsFactors = TRUE)
}

label <- function(prefix, i, width = 2) sprintf(paste0(prefix, "%0", width, "d"), i)

# Days (switch units) in pairs, one arm each by a coin per pair; runs nested in days; every run
# passes every segment. Log fuel use per distance, sds on that scale.
passes <- function(units = 12, runs = 2, segments = 10, sd_unit = 0.02, sd_run = 0.015,
                   sd_segment = 0.15, sd_pass = 0.05, effect = 0.006, arms = NULL) {
  if (is.null(arms)) {
    first <- rbinom(units / 2, 1, 0.5)
    arms <- as.vector(rbind(first, 1 - first))
  }
  d <- expand.grid(segment_no = seq_len(segments), run_in_unit = seq_len(runs), unit_no = seq_len(units))
  run_no <- (d$unit_no - 1) * runs + d$run_in_unit
  d$arm <- arms[d$unit_no]
  d$block <- label("b", (d$unit_no + 1) %/% 2)
  d$unit <- label("u", d$unit_no)
  d$run <- label("r", run_no, 3)
  d$segment <- label("s", d$segment_no)
  d$distance_km <- round(runif(segments, 0.5, 2), 3)[d$segment_no]
  d$y <- 4.2 + effect * d$arm + rnorm(segments, 0, sd_segment)[d$segment_no] +
    rnorm(units, 0, sd_unit)[d$unit_no] + rnorm(units * runs, 0, sd_run)[run_no] +
    rnorm(nrow(d), 0, sd_pass)
  d[c("y", "arm", "block", "unit", "run", "segment", "distance_km")]
}

rounded <- function(d) {
  d$y <- round(d$y, 7)
  rownames(d) <- NULL
  d
}

lose <- function(d, share) d[sort(sample(nrow(d), round((1 - share) * nrow(d)))), ]

make_balanced <- function() passes()
make_balanced_negative <- function() passes(sd_unit = 0, sd_run = 0.02)
make_unbalanced <- function() {
  lose(passes(units = 13, arms = c(0, 1, 0, 0, 1, 0, 0, 1, 0, 1, 0, 0, 1)), 0.25)
}
make_crossed <- function() lose(passes(segments = 16), 0.10)
make_near_boundary <- function() lose(passes(sd_unit = 0.0025, sd_run = 0.015), 0.10)
make_singular <- function() lose(passes(sd_unit = 0, sd_run = 0.015), 0.10)
make_one_level <- function() lose(passes(units = 10, runs = 1, segments = 12, sd_unit = 0, sd_run = 0), 0.15)
make_weighted <- function() {
  d <- lose(passes(sd_pass = 0), 0.15)
  d$distance_km <- round(d$distance_km * runif(nrow(d), 0.7, 1), 3)
  d$y <- d$y + rnorm(nrow(d), 0, 0.05 / sqrt(d$distance_km))
  d
}
make_covariates <- function() {
  d <- lose(passes(units = 16), 0.20)
  d$demand_kj_per_km <- round(rnorm(nrow(d), 520, 60), 1)
  d$mean_speed_kmh <- round(runif(nrow(d), 28, 92), 1)
  day <- as.integer(factor(d$unit))
  d$ambient_c <- round(8 + 0.5 * day + rnorm(16, 0, 3)[day] + rnorm(nrow(d), 0, 1), 1)
  d$y <- d$y + 0.0009 * (d$demand_kj_per_km - 520) - 0.0012 * (d$mean_speed_kmh - 60) -
    0.004 * (d$ambient_c - 15)
  d
}
make_vehicles <- function() {
  one <- function(v) {
    d <- passes(units = 6, runs = 2, segments = 5, sd_segment = 0, effect = 0.006 + rnorm(1, 0, 0.02))
    d$y <- d$y + rnorm(1, 0, 0.10)
    d$vehicle <- label("v", v)
    for (column in c("block", "unit", "run")) d[[column]] <- paste0(d$vehicle, d[[column]])
    d
  }
  d <- do.call(rbind, lapply(1:8, one))
  d$vehicle_arm <- paste0(d$vehicle, "a", d$arm)
  d$y <- d$y + rnorm(5, 0, 0.15)[as.integer(factor(d$segment))]
  lose(d, 0.10)
}

# The first seed from `seed` on whose table has the property asked for (near boundary, singular ...).
make_with <- function(make, seed, property) {
  for (s in seed:(seed + 2000)) {
    set.seed(s)
    d <- rounded(make())
    if (property(d)) return(d)
  }
  stop("no seed gave the table asked for")
}
any_table <- function(d) TRUE
relative_sd <- function(d, formula, group) {
  m <- suppressMessages(suppressWarnings(lmer(formula, d)))
  unname(getME(m, "theta")[paste0(group, ".(Intercept)")])
}
nested <- y ~ arm + segment + (1 | unit) + (1 | run)

lme4_tables <- list(
  sleepstudy = sleepstudy, penicillin = Penicillin, dyestuff = Dyestuff, pastes = Pastes
)

if ("--tables-of-lme4" %in% args) {
  for (name in names(lme4_tables)) write_table(as.data.frame(lme4_tables[[name]]), name)
  quit(save = "no")
}

write_table(make_with(make_balanced_negative, 151, function(d) {
  relative_sd(d, nested, "unit") == 0 && relative_sd(d, nested, "run") > 0.2
}), "balanced_negative")
write_table(make_with(make_balanced, 101, function(d) relative_sd(d, nested, "unit") > 0.2), "balanced")
write_table(make_with(make_unbalanced, 201, function(d) {
  relative_sd(d, nested, "unit") > 0.2 && relative_sd(d, nested, "run") > 0.2
}), "unbalanced")
write_table(make_with(make_crossed, 301, function(d) {
  f <- y ~ arm + (1 | segment) + (1 | run) + (1 | unit)
  relative_sd(d, f, "unit") > 0.1 && relative_sd(d, f, "run") > 0.1
}), "crossed")
write_table(make_with(make_near_boundary, 401, function(d) {
  r <- relative_sd(d, nested, "unit")
  r > 0.03 && r < 0.07
}), "near_boundary")
write_table(make_with(make_singular, 501, function(d) {
  relative_sd(d, nested, "unit") == 0 && relative_sd(d, nested, "run") > 0.2
}), "singular")
write_table(make_with(make_one_level, 601, function(d) {
  relative_sd(d, y ~ arm + segment + (1 | unit), "unit") == 0
}), "one_level_negative")
write_table(make_with(make_weighted, 701, any_table), "weighted")
write_table(make_with(make_covariates, 801, any_table), "covariates")
write_table(make_with(make_vehicles, 901, function(d) {
  f <- y ~ arm + segment + (1 | vehicle) + (1 | vehicle_arm) + (1 | unit)
  relative_sd(d, f, "vehicle_arm") > 0.1 && relative_sd(d, f, "unit") > 0.1
}), "vehicles")

# --- fits ---------------------------------------------------------------------------------------

with_messages <- function(expression) {
  said <- character(0)
  value <- withCallingHandlers(
    expression,
    warning = function(w) {
      said <<- c(said, paste("warning:", trimws(conditionMessage(w))))
      invokeRestart("muffleWarning")
    },
    message = function(m) {
      said <<- c(said, paste("message:", trimws(conditionMessage(m))))
      invokeRestart("muffleMessage")
    }
  )
  list(value = value, said = unique(said))
}

# lme4 stops where the criterion is flat to about 1e-8; a few Newton steps on it (numDeriv's
# Richardson derivatives) put theta at the stationary point. Components at zero stay there.
polish <- function(criterion, theta, lower) {
  best <- criterion(theta)
  for (step in 1:4) {
    free <- theta > 1e-6 | lower < 0
    if (!any(free)) break
    along <- function(x) {
      full <- theta
      full[free] <- x
      criterion(full)
    }
    gradient <- numDeriv::grad(along, theta[free])
    move <- solve(numDeriv::hessian(along, theta[free]), gradient)
    candidate <- theta
    candidate[free] <- theta[free] - move
    value <- criterion(candidate)
    if (any(candidate < lower) || value > best + 1e-9) break
    theta <- candidate
    best <- min(best, value)
  }
  theta
}

# Fit by three optimisers, keep the lowest criterion, polish, and evaluate the model there.
tight_fit <- function(formula, d, w) {
  d$.w <- if (is.null(w)) rep(1, nrow(d)) else d[[w]]
  fit_with <- function(...) {
    if (is.null(w)) lmer(formula, d, ...) else lmer(formula, d, weights = .w, ...)
  }
  quietly <- function(x) suppressMessages(suppressWarnings(x))
  controls <- list(
    lmerControl(optimizer = "bobyqa", calc.derivs = FALSE, optCtrl = list(rhoend = 1e-12, maxfun = 1e5)),
    lmerControl(optimizer = "nloptwrap", calc.derivs = FALSE, optCtrl = list(
      algorithm = "NLOPT_LN_BOBYQA", xtol_abs = 1e-12, ftol_abs = 1e-12, maxeval = 1e5)),
    lmerControl(optimizer = "Nelder_Mead", calc.derivs = FALSE, optCtrl = list(maxfun = 1e5))
  )
  fits <- lapply(controls, function(control) quietly(fit_with(control = control)))
  values <- vapply(fits, REMLcrit, 0)
  start <- fits[[which.min(values)]]
  said <- with_messages(fit_with())$said # what a user of the defaults would be told
  criterion <- quietly(fit_with(devFunOnly = TRUE))
  theta <- polish(criterion, getME(start, "theta"), getME(start, "lower"))
  theta[theta < 1e-6 & getME(start, "lower") == 0] <- 0
  call <- if (is.null(w)) {
    bquote(lmer(.(formula), data = .fit_data, start = .(unname(theta)), control = lmerControl(optimizer = NULL)))
  } else {
    bquote(lmer(.(formula), data = .fit_data, weights = .w, start = .(unname(theta)),
                control = lmerControl(optimizer = NULL)))
  }
  assign(".fit_data", d, envir = globalenv()) # lmerTest and pbkrtest look the data up by name
  model <- quietly(eval(call, globalenv()))
  stopifnot(REMLcrit(model) <= min(values) + 1e-9)
  list(model = model, start = start, said = said, spread = max(values) - min(values))
}

nlme_fit <- function(fixed, random, d, coefficient) {
  m <- lme(fixed, random = random, data = d, method = "REML",
           control = lmeControl(tolerance = 1e-12, msTol = 1e-12, msMaxIter = 500, maxIter = 500))
  row <- summary(m)$tTable[coefficient, ]
  list(call = paste(one_line(fixed), "; random =", one_line(random)), reml = -2 * as.numeric(logLik(m)),
       estimate = row[["Value"]], se = row[["Std.Error"]], containment_df = row[["DF"]])
}

# A compound-symmetric covariance, whose correlation may be negative: the unbounded one-level fit.
gls_fit <- function(fixed, group, d, coefficient) {
  m <- gls(fixed, data = d, method = "REML",
           correlation = corCompSymm(0.01, form = as.formula(paste("~ 1 |", group))),
           control = glsControl(tolerance = 1e-13, msTol = 1e-13, maxIter = 500, msMaxIter = 500))
  rho <- as.numeric(coef(m$modelStruct$corStruct, unconstrained = FALSE))
  total <- m$sigma^2
  list(call = paste(one_line(fixed), "; corCompSymm by", group), reml = -2 * as.numeric(logLik(m)),
       estimate = coef(m)[[coefficient]], se = sqrt(vcov(m)[coefficient, coefficient]),
       correlation = rho, variance_group = rho * total, variance_residual = (1 - rho) * total)
}

# Balanced days x runs x segments: the analysis of variance is the REML fit without the bound at
# zero, so a component may come out negative and the interval for arm is the t of the day stratum.
anova_fit <- function(d) {
  d$run <- factor(ave(as.integer(d$run), d$unit, FUN = function(run) match(run, unique(run))))
  strata <- summary(aov(y ~ arm + segment + Error(unit / run), d))
  ms <- function(stratum) {
    table <- strata[[stratum]][[1]]
    row <- trimws(rownames(table)) == "Residuals"
    c(table[row, "Mean Sq"], table[row, "Df"])
  }
  unit <- ms("Error: unit")
  run <- ms("Error: unit:run")
  within <- ms("Error: Within")
  per_run <- nlevels(d$segment)
  per_unit <- nrow(d) / nlevels(d$unit)
  arms <- table(d$arm)
  list(mean_squares = list(unit = unit[1], run = run[1], residual = within[1]),
       variance = list(unit = (unit[1] - run[1]) / per_unit, run = (run[1] - within[1]) / per_run,
                       Residual = within[1]),
       estimate = mean(d$y[d$arm == 1]) - mean(d$y[d$arm == 0]),
       se = sqrt(unit[1] * sum(1 / arms)), df = unit[2])
}

# The REML criterion from the full covariance matrix, as textbooks write it: log det V +
# log det X'V^-1 X + r'V^-1 r + (n - p) log 2 pi. No package, so that the two can be held together.
dense <- function(m) {
  x <- as.matrix(getME(m, "X"))
  y <- getME(m, "y")
  outer_products <- lapply(getME(m, "flist"), function(f) outer(f, f, "==") * 1)
  noise <- diag(1 / weights(m))
  function(variances, residual) {
    v <- residual * noise
    for (g in names(variances)) v <- v + variances[[g]] * outer_products[[g]]
    root <- tryCatch(chol(v), error = function(e) NULL)
    if (is.null(root)) return(list(reml = Inf))
    xs <- backsolve(root, x, transpose = TRUE)
    ys <- backsolve(root, y, transpose = TRUE)
    information <- crossprod(xs)
    beta <- solve(information, crossprod(xs, ys))
    list(reml = 2 * sum(log(diag(root))) + as.numeric(determinant(information)$modulus) +
           sum((ys - xs %*% beta)^2) + (nrow(x) - ncol(x)) * log(2 * pi),
         beta = beta, vcov = solve(information))
  }
}

# The same criterion minimised with components free to be negative while V stays positive definite.
unbounded_fit <- function(m, coefficient) {
  criterion <- dense(m)
  groups <- names(getME(m, "flist"))
  scale <- sigma(m)^2
  along <- function(x) criterion(setNames(as.list(x[-1] * scale), groups), exp(x[1]) * scale)$reml
  x <- c(0, rep(0.01, length(groups)))
  for (round in 1:5) x <- optim(x, along, control = list(reltol = 1e-15, maxit = 5000))$par
  for (round in 1:3) x <- x - solve(numDeriv::hessian(along, x), numDeriv::grad(along, x))
  at <- criterion(setNames(as.list(x[-1] * scale), groups), exp(x[1]) * scale)
  pick <- match(coefficient, names(fixef(m)))
  list(reml = at$reml, largest_gradient = max(abs(numDeriv::grad(along, x))),
       variance = c(setNames(as.list(x[-1] * scale), groups), list(Residual = exp(x[1]) * scale)),
       estimate = at$beta[pick], se = sqrt(at$vcov[pick, pick]))
}

one_line <- function(formula) paste(trimws(deparse(formula, width.cutoff = 500)), collapse = " ")

# The 95 % interval of one coefficient by likelihood ratio (ML): the values at which fixing it costs
# the chi-squared quantile. lme4's confint interpolates the same curve with splines.
likelihood_ratio_interval <- function(formula, d, coefficient) {
  tight <- lmerControl(optimizer = "bobyqa", calc.derivs = FALSE, optCtrl = list(rhoend = 1e-10))
  fit <- function(f) suppressMessages(suppressWarnings(lmer(f, d, REML = FALSE, control = tight)))
  free <- fit(formula)
  without <- update(formula, as.formula(paste(".shifted ~ . -", coefficient)))
  cost <- function(value) {
    d$.shifted <<- d[[all.vars(formula)[1]]] - value * d[[coefficient]]
    deviance(fit(without)) - deviance(free) - qchisq(0.95, 1)
  }
  estimate <- fixef(free)[[coefficient]]
  se <- sqrt(vcov(free)[coefficient, coefficient])
  c(uniroot(cost, estimate - c(8, 0) * se, tol = 1e-10)$root,
    uniroot(cost, estimate + c(0, 8) * se, tol = 1e-10)$root)
}

named <- function(x) as.list(setNames(as.numeric(x), names(x)))

report <- function(formula, table, coefficient, w = NULL, profile = FALSE, unbounded = FALSE,
                   note = NULL) {
  external <- table %in% names(lme4_tables)
  d <- if (external) lme4_tables[[table]] else read_table(table)
  fitted <- tight_fit(formula, d, w)
  m <- fitted$model
  variances <- as.data.frame(VarCorr(m))
  v <- as.matrix(vcov(m))
  singular <- isSingular(m)
  components <- setNames(as.list(variances$vcov), variances$grp)
  by_hand <- dense(m)(components[names(components) != "Residual"], components$Residual)
  stopifnot(abs(by_hand$reml - REMLcrit(m)) < 1e-6, max(abs(by_hand$vcov - v) / sqrt(outer(diag(v), diag(v)))) < 1e-9)
  out <- list(
    table = table, external = external, formula = one_line(formula), weights = w,
    note = note, n = nobs(m), levels = as.list(ngrps(m)), coefficient = coefficient,
    reml = REMLcrit(m), optimiser_spread = fitted$spread,
    fixed = named(fixef(m)), se = named(setNames(sqrt(diag(v)), names(fixef(m)))), vcov = unname(v),
    variance = named(setNames(variances$vcov, variances$grp)),
    theta = named(getME(m, "theta")),
    blup = lapply(ranef(m, condVar = FALSE), function(u) named(setNames(u[["(Intercept)"]], rownames(u)))),
    is_singular = singular
  )
  satterthwaite <- lmerTest::as_lmerModLmerTest(m)
  row <- coef(summary(satterthwaite))[coefficient, ]
  out$satterthwaite <- list(df = row[["df"]], se = row[["Std. Error"]])
  if (is.null(w) && !singular && nobs(m) <= 2000) {
    adjusted <- as.matrix(pbkrtest::vcovAdj(m))
    pick <- as.numeric(names(fixef(m)) == coefficient)
    out$kenward_roger <- list(df = pbkrtest::Lb_ddf(pick, vcov(m), pbkrtest::vcovAdj(m)),
                              se = sqrt(sum(pick * adjusted %*% pick)))
  }
  if (profile) {
    interval <- suppressMessages(confint(fitted$start, parm = coefficient, method = "profile", level = 0.95))
    out$profile_ml_95 <- list(lme4_confint = as.numeric(interval),
                              root = likelihood_ratio_interval(formula, d, coefficient))
  }
  if (unbounded) out$unbounded_dense <- unbounded_fit(m, coefficient)
  out$messages <- as.list(fitted$said)
  out
}

fits <- list()
random_nested <- ~ 1 | unit / run
d <- lapply(c(balanced = "balanced", balanced_negative = "balanced_negative", unbalanced = "unbalanced",
              near_boundary = "near_boundary", one_level_negative = "one_level_negative",
              covariates = "covariates"), read_table)

fits$balanced <- report(nested, "balanced", "arm", profile = TRUE)
fits$balanced$nlme <- nlme_fit(y ~ arm + segment, random_nested, d$balanced, "arm")
fits$balanced$anova <- anova_fit(d$balanced)
fits$balanced_blocked <- report(y ~ arm + block + segment + (1 | unit) + (1 | run), "balanced", "arm")
fits$balanced_blocked$nlme <- nlme_fit(y ~ arm + block + segment, random_nested, d$balanced, "arm")
fits$balanced_units_only <- report(y ~ arm + segment + (1 | unit), "balanced", "arm")
fits$balanced_units_only$gls <- gls_fit(y ~ arm + segment, "unit", d$balanced, "arm")

fits$unbalanced <- report(nested, "unbalanced", "arm", profile = TRUE)
fits$unbalanced$nlme <- nlme_fit(y ~ arm + segment, random_nested, d$unbalanced, "arm")

fits$crossed <- report(y ~ arm + (1 | segment) + (1 | run) + (1 | unit), "crossed", "arm")

fits$near_boundary <- report(nested, "near_boundary", "arm")
fits$near_boundary$nlme <- nlme_fit(y ~ arm + segment, random_nested, d$near_boundary, "arm")

fits$singular <- report(nested, "singular", "arm", unbounded = TRUE)
fits$balanced_negative <- report(nested, "balanced_negative", "arm", unbounded = TRUE)
fits$balanced_negative$anova <- anova_fit(d$balanced_negative)
fits$one_level_negative <- report(y ~ arm + segment + (1 | unit), "one_level_negative", "arm", unbounded = TRUE)
fits$one_level_negative$gls <- gls_fit(y ~ arm + segment, "unit", d$one_level_negative, "arm")

fits$weighted <- report(nested, "weighted", "arm", w = "distance_km")

with_covariates <- y ~ arm + block + segment + demand_kj_per_km + mean_speed_kmh + ambient_c
fits$covariates <- report(update(with_covariates, . ~ . + (1 | unit) + (1 | run)), "covariates", "arm")
fits$covariates$nlme <- nlme_fit(with_covariates, random_nested, d$covariates, "arm")

fits$vehicles <- report(y ~ arm + segment + (1 | vehicle) + (1 | vehicle_arm) + (1 | unit), "vehicles", "arm")

fits$sleepstudy <- report(Reaction ~ Days + (1 | Subject), "sleepstudy", "Days",
                          note = "random intercept only; the published slope model has a 2 x 2 covariance, see published.json")
fits$penicillin <- report(diameter ~ 1 + (1 | plate) + (1 | sample), "penicillin", "(Intercept)")
fits$dyestuff <- report(Yield ~ 1 + (1 | Batch), "dyestuff", "(Intercept)")
fits$pastes <- report(strength ~ 1 + (1 | batch) + (1 | sample), "pastes", "(Intercept)")

version <- function(name) as.character(packageVersion(name))
write_json(
  list(
    made_by = "fit.R",
    versions = list(R = paste(R.version$major, R.version$minor, sep = "."), lme4 = version("lme4"),
                    lmerTest = version("lmerTest"), pbkrtest = version("pbkrtest"), nlme = version("nlme")),
    fits = fits
  ),
  file.path(outdir, "expected.json"), auto_unbox = TRUE, digits = NA, pretty = 1, null = "null"
)
