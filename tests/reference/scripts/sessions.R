# Variance components of sessions: Rscript sessions.R ../data ../expected/two_sessions.json
suppressMessages({library(lme4); library(jsonlite)})
ctrl <- lmerControl(optimizer = "bobyqa", optCtrl = list(maxfun = 1e6, rhoend = 1e-11))
a <- commandArgs(TRUE)
d <- read.csv(file.path(a[1], "two_sessions.csv"))
d$person <- factor(d$participant_id); d$limb <- factor(paste(d$participant_id, d$side)); d$rater <- factor(d$rater_id)
d$day <- factor(paste(d$participant_id, d$visit)); d$limb_day <- factor(paste(d$limb, d$visit))
d$limb_rater <- factor(paste(d$limb, d$rater)); d$cell <- factor(paste(d$limb_day, d$rater))
gone <- c(1, 16, 37, 41, 68, 82, 87, 89, 91, 96, 108, 114, 144, 147, 155, 164, 167, 174, 181, 186, 190, 204, 207, 230, 233,
          234, 250, 252, 256, 258, 263, 267, 269, 280, 282, 307, 319, 324, 328, 332)
components <- function(formula, data) {
  m <- lmer(formula, data, control = ctrl)
  v <- as.data.frame(VarCorr(m))
  list(formula = paste(deparse(formula), collapse = ""), rows = nrow(data), logLik = as.numeric(logLik(m)), mean = unname(fixef(m)),
       variances = setNames(as.list(v$vcov), v$grp))
}
one_limb <- value ~ 1 + (1|person) + (1|rater) + (1|limb_rater) + (1|day) + (1|cell)
both <- value ~ 1 + (1|person) + (1|limb) + (1|rater) + (1|limb_rater) + (1|day) + (1|limb_day) + (1|cell)
out <- list(left_limb = components(one_limb, d[d$side == "left", ]), both_limbs = components(both, d),
            both_limbs_with_gaps = components(both, d[-(gone + 1), ]), rows_left_out_counted_from_0 = gone)
out$provenance <- list(R = R.version.string, lme4 = as.character(packageVersion("lme4")),
                       call = "lmer, REML, bobyqa to 1e-11", data = "two_sessions.csv (simulated, invented)", date = "2026-11-26")
write_json(out, a[2], digits = NA, auto_unbox = TRUE, pretty = TRUE)
