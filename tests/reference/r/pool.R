# In: nothing (data sets come with R's package metadat). Out: pool.json with what metafor makes of
# them: the reference for roadlog/stats/meta_analysis.py (docs/pool.md).
#
#   Rscript pool.R OUTDIR

suppressPackageStartupMessages({
  library(metafor)
  library(jsonlite)
})

args <- commandArgs(trailingOnly = TRUE)
if (length(args) < 1) stop("Rscript pool.R OUTDIR")

effects <- list(
  # Colditz et al. (1994), BCG vaccine against tuberculosis: log risk ratios.
  bcg = escalc("RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg),
  # Collins, Yusuf, Peto (1985), diuretics in pregnancy: log odds ratios.
  diuretics = escalc("OR", ai = pre.xti, n1i = pre.nti, ci = pre.xci, n2i = pre.nci,
                     data = dat.collins1985b),
  # Raudenbush (1985), teachers' expectations: standardised mean differences as given.
  expectations = dat.raudenbush1985,
  # Normand (1999), length of stay after stroke: mean differences of few, very unlike studies.
  stay = escalc("MD", m1i = m1i, sd1i = sd1i, n1i = n1i, m2i = m2i, sd2i = sd2i, n2i = n2i,
                data = dat.normand1999),
  # Yusuf et al. (1985), beta blockers after a heart attack, table 6: tau2 at zero or nearly.
  blockers = escalc("OR", ai = ai, n1i = n1i, ci = ci, n2i = n2i,
                    data = subset(dat.yusuf1985, table == 6), add = 1 / 2, to = "only0"),
  # Egger et al. (2001), magnesium after a heart attack: small trials tell far more than large ones.
  magnesium = escalc("OR", ai = ai, n1i = n1i, ci = ci, n2i = n2i, data = dat.egger2001),
  # Hine et al. (1989), lidocaine after a heart attack: risk differences, tau2 at zero.
  lidocaine = escalc("RD", ai = ai, n1i = n1i, ci = ci, n2i = n2i, data = dat.hine1989),
  # Hart et al. (1999), warfarin against stroke: log rate ratios of six trials.
  warfarin = escalc("IRR", x1i = x1i, t1i = t1i, x2i = x2i, t2i = t2i, data = dat.hart1999),
  # Cannon et al. (2006), statins by intensity: four large trials.
  statins = escalc("OR", ai = ep1t, n1i = nt, ci = ep1c, n2i = nc, data = dat.cannon2006)
)
# The fewest that anything can be made of, alike and unlike.
effects$two_alike <- effects$lidocaine[1:2, ]
effects$two_unlike <- effects$stay[1:2, ]
effects$three_alike <- effects$warfarin[1:3, ]
effects$three_unlike <- effects$bcg[c(4, 8, 9), ]

number <- function(x) unname(as.numeric(x))
tight <- list(threshold = 1e-10, maxiter = 10000)

fit_of <- function(d, method) {
  control <- if (method == "REML") tight else list(tol = 1e-14, maxiter = 10000)
  fit <- rma(yi, vi, data = d, method = method, test = "knha", control = control)
  profile <- confint(fit, control = list(tol = 1e-12, maxiter = 10000, tau2.max = 1e9))$random
  ahead <- predict(fit)
  left <- if (nrow(d) > 2) leave1out(fit) else NULL
  # by the estimates' own errors alone: what the interval is never narrower than
  plain <- rma(yi, vi, data = d, method = method, test = "z", control = control)
  left_plain <- if (nrow(d) > 2) leave1out(plain) else NULL
  off <- if (nrow(d) > 3) rstudent(fit)$z else NULL
  list(
    tau2 = number(fit$tau2), mu = number(fit$beta), se = number(fit$se), low = number(fit$ci.lb),
    high = number(fit$ci.ub), i2 = number(fit$I2), h2 = number(fit$H2), q = number(fit$QE),
    q_p = number(fit$QEp), tau2_low = number(profile["tau^2", "ci.lb"]),
    tau2_high = number(profile["tau^2", "ci.ub"]), ahead_low = number(ahead$pi.lb),
    ahead_high = number(ahead$pi.ub), weights = number(weights(fit)) / 100,
    left_mu = number(left$estimate), left_tau2 = number(left$tau2), left_low = number(left$ci.lb),
    left_high = number(left$ci.ub), plain_low = number(plain$ci.lb), plain_high = number(plain$ci.ub),
    left_plain_low = number(left_plain$ci.lb), left_plain_high = number(left_plain$ci.ub),
    studentised = number(off)
  )
}

made <- lapply(effects, function(d) {
  d <- d[!is.na(d$yi) & !is.na(d$vi), ]
  found <- list(
    y = number(d$yi), v = number(d$vi), reml = fit_of(d, "REML"), paule_mandel = fit_of(d, "PM")
  )
  if (nrow(d) > 2) {
    slant <- regtest(d$yi, d$vi, model = "lm", predictor = "sei")
    found$slant <- list(t = number(slant$zval), df = number(slant$dfs), p = number(slant$pval),
                        slope = number(coef(summary(slant$fit))[2, 1]))
  }
  found
})

made$made_with <- list(R = R.version.string, metafor = as.character(packageVersion("metafor")),
                       metadat = as.character(packageVersion("metadat")))
write(toJSON(made, digits = I(15), auto_unbox = TRUE, pretty = TRUE), file.path(args[1], "pool.json"))
