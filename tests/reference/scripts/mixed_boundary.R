# Mixed models on the boundary: Rscript mixed_boundary.R ../data ../expected/mixed_boundary.json
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(jsonlite)})
ctrl <- lmerControl(optimizer = "bobyqa", optCtrl = list(maxfun = 1e6, rhoend = 1e-11), check.conv.singular = "ignore")
one <- function(f, d, L) { m <- suppressMessages(lmerTest::lmer(f, d, control = ctrl)); V <- vcovAdj(m); Phi <- vcov(m)
  p <- length(fixef(m)); k <- suppressMessages(KRmodcomp(m, L))$stats
  sat <- tryCatch(contestMD(m, L, ddf="Satterthwaite"), error=function(e) NULL)
  list(formula=deparse(f), logLik=as.numeric(logLik(m)), varcorr=as.data.frame(VarCorr(m)), fixef=as.list(fixef(m)), se=sqrt(diag(as.matrix(Phi))),
  kr_vcov=unname(as.matrix(V)), kr_df=sapply(1:p, function(j) { l <- rep(0,p); l[j] <- 1; Lb_ddf(l, Phi, V) }), satterthwaite_df=unname(coef(summary(m))[,"df"]),
  kr_test=list(L=unname(L), f=k$Fstat, ddf=k$ddf, scale=k$F.scaling, p=k$p.value), satterthwaite_test=if(!is.null(sat)) list(f=sat[["F value"]], ddf=sat$DenDF, p=sat[["Pr(>F)"]])) }
a <- commandArgs(TRUE)[1]
rs <- read.csv(file.path(a, "nearly_singular_slope.csv")); rs$pid <- factor(rs$pid); rs$arm <- factor(rs$arm)
pen <- read.csv(file.path(a, "zero_rater_variance.csv"))
out <- list(nearly_singular_slope=one(rom ~ week*arm + (week|pid), rs, diag(4)[3:4,]), zero_rater_variance=one(y ~ week + arm + (1|person) + (1|rater), pen, diag(3)[2:3,]))
out$provenance <- list(R=R.version.string, packages=sapply(c("lme4","lmerTest","pbkrtest"), function(p) as.character(packageVersion(p))), call="lmerTest::lmer(REML, bobyqa 1e-11); pbkrtest::vcovAdj, Lb_ddf, KRmodcomp; lmerTest::contestMD", data="nearly_singular_slope.csv; zero_rater_variance.csv (simulated, invented)")
write_json(out, commandArgs(TRUE)[2], digits=NA, auto_unbox=TRUE, pretty=TRUE)
