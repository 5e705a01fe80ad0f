# In: many pass tables (columns y, arm 0/1, unit, run; block, segment, weight if the model uses them).
# Out: one row a study with lme4's effect and the half-width of its Kenward-Roger 95 % interval, so
# that roadlog's intervals can be compared study by study (method section 6).
#
#   Rscript widths.R TABLES OUT.csv [--random "(1|unit)+(1|run)"] [--fixed "arm + block + segment"]
#                                   [--weights weight] [--no-kr] [--simulate N] [--units 6] [--seed 1]
#
# TABLES is a directory of CSV files, one a study, or one CSV with a column `study`.
# --simulate N first writes N tables into the directory TABLES.

suppressPackageStartupMessages(library(lme4))
RNGkind("Mersenne-Twister", "Inversion", "Rejection")

args <- commandArgs(trailingOnly = TRUE)
usage <- "Rscript widths.R TABLES OUT.csv [--random R] [--fixed F] [--weights COLUMN] [--no-kr] [--simulate N] [--units U] [--seed S]"
if (length(args) < 2) stop(usage)
known <- c("--random", "--fixed", "--weights", "--no-kr", "--simulate", "--units", "--seed")
unknown <- setdiff(grep("^--", args, value = TRUE), known)
if (length(unknown)) stop("unknown option ", unknown[1], "; ", usage)
option <- function(name, default) {
  at <- match(paste0("--", name), args)
  if (is.na(at)) default else args[at + 1]
}
tables <- args[1]
random <- option("random", "(1|unit)+(1|run)")
fixed <- option("fixed", "arm + block + segment")
weights_column <- option("weights", NULL)
kenward_roger <- !("--no-kr" %in% args) && is.null(weights_column) # pbkrtest ignores weights

simulate_study <- function(units) {
  d <- expand.grid(segment_no = 1:8, run_in_unit = 1:2, unit_no = seq_len(units))
  first <- rbinom(ceiling(units / 2), 1, 0.5)
  run_no <- (d$unit_no - 1) * 2 + d$run_in_unit
  arm <- as.vector(rbind(first, 1 - first))[d$unit_no]
  y <- 4.2 + 0.006 * arm + rnorm(8, 0, 0.15)[d$segment_no] + rnorm(units, 0, 0.03)[d$unit_no] +
    rnorm(2 * units, 0, 0.01)[run_no] + rnorm(nrow(d), 0, 0.06)
  data.frame(y = round(y, 7), arm = arm, block = sprintf("b%02d", (d$unit_no + 1) %/% 2),
             segment = sprintf("s%02d", d$segment_no), unit = sprintf("u%02d", d$unit_no),
             run = sprintf("r%03d", run_no), weight = 1)
}

count <- as.integer(option("simulate", "0"))
if (count > 0) {
  dir.create(tables, showWarnings = FALSE, recursive = TRUE)
  set.seed(as.integer(option("seed", "1")))
  for (i in seq_len(count)) {
    study <- simulate_study(as.integer(option("units", "6")))
    write.csv(study, file.path(tables, sprintf("study%05d.csv", i)), row.names = FALSE, quote = FALSE)
  }
}

read_studies <- function(path) {
  if (dir.exists(path)) {
    files <- sort(list.files(path, pattern = "\\.csv$", full.names = TRUE))
    if (!length(files)) stop("no CSV files in ", path)
    return(setNames(lapply(files, read.csv), sub("\\.csv$", "", basename(files))))
  }
  together <- read.csv(path)
  if (!"study" %in% names(together)) stop(path, " has no column `study`")
  split(together, together$study)
}

formula_text <- paste("y ~", fixed, "+", random)
tight <- lmerControl(optimizer = "bobyqa", calc.derivs = TRUE, optCtrl = list(rhoend = 1e-9, maxfun = 1e5))

fit_study <- function(d) {
  labels <- setdiff(names(d), c("y", "arm", "study", weights_column))
  for (column in labels) if (is.character(d[[column]]) || column %in% c("block", "segment", "unit", "run")) {
    d[[column]] <- factor(d[[column]])
  }
  d$.w <- if (is.null(weights_column)) rep(1, nrow(d)) else d[[weights_column]]
  assign(".study", d, envir = globalenv())
  said <- character(0)
  hear <- function(kind, muffle) function(e) {
    said <<- c(said, paste0(kind, ": ", gsub("\\s+", " ", trimws(conditionMessage(e)))))
    invokeRestart(muffle)
  }
  row <- data.frame(n = nrow(d), units = length(unique(d$unit)), tau = NA_real_, se = NA_real_,
                    se_kr = NA_real_, df_kr = NA_real_, half_width_kr = NA_real_,
                    df_satterthwaite = NA_real_, half_width_satterthwaite = NA_real_, reml = NA_real_,
                    variances = "", singular = NA, seconds = NA_real_)
  started <- proc.time()[["elapsed"]]
  withCallingHandlers(
    tryCatch({
      # weights of 1 are left out of the call: pbkrtest and lmerTest then see an unweighted model
      call <- if (is.null(weights_column)) {
        bquote(lmerTest::lmer(.(as.formula(formula_text)), data = .study, control = tight))
      } else {
        bquote(lmerTest::lmer(.(as.formula(formula_text)), data = .study, weights = .w, control = tight))
      }
      m <- eval(call, globalenv())
      if (!"arm" %in% names(fixef(m))) stop("arm was dropped: it can't be told from the other fixed effects")
      v <- as.data.frame(VarCorr(m))
      row$tau <- fixef(m)[["arm"]]
      row$se <- sqrt(vcov(m)["arm", "arm"])
      row$reml <- REMLcrit(m)
      row$variances <- paste(sprintf("%s=%.10g", v$grp, v$vcov), collapse = " ")
      row$singular <- isSingular(m)
      row$df_satterthwaite <- coef(summary(m))["arm", "df"]
      row$half_width_satterthwaite <- qt(0.975, row$df_satterthwaite) * row$se
      if (kenward_roger) {
        pick <- as.numeric(names(fixef(m)) == "arm")
        adjusted <- pbkrtest::vcovAdj(m)
        row$se_kr <- sqrt(sum(pick * as.numeric(adjusted %*% pick)))
        row$df_kr <- pbkrtest::Lb_ddf(pick, vcov(m), adjusted)
        row$half_width_kr <- qt(0.975, row$df_kr) * row$se_kr
      }
    }, error = function(e) said <<- c(said, paste("error:", gsub("\\s+", " ", conditionMessage(e))))),
    warning = hear("warning", "muffleWarning"), message = hear("message", "muffleMessage")
  )
  row$seconds <- proc.time()[["elapsed"]] - started
  row$messages <- paste(unique(said), collapse = " | ")
  row
}

studies <- read_studies(tables)
rows <- do.call(rbind, lapply(studies, fit_study))
rows <- cbind(study = names(studies), rows)
numbers <- vapply(rows, is.double, TRUE)
rows[numbers] <- lapply(rows[numbers], function(x) ifelse(is.na(x), NA, formatC(x, digits = 15, format = "g", width = 1)))
rows$messages <- gsub("\"", "'", rows$messages)
write.csv(rows, args[2], row.names = FALSE, na = "", quote = match(c("study", "variances", "messages"), names(rows)))
