# Kaplan-Meier with late entry, competing risks and the log-rank statistic by R, on records that this script draws.
# Run in this folder: Rscript answers.R
suppressPackageStartupMessages({library(survival); library(prodlim); library(jsonlite)})
set.seed(20)
n <- 120
days <- ceiling(60 * exp(.5 * rnorm(n)))
entry <- ifelse(runif(n) < .5, floor(60 * runif(n)), 0)
cause <- ifelse(runif(n) < .2, 2, 1)
limit <- ceiling(20 + 130 * runif(n))
group <- sample(c("a", "b", "c"), n, TRUE)
kept <- days > entry & limit > entry
records <- data.frame(entry, days = pmin(days, limit), cause = ifelse(days <= limit, cause, 0), group)[kept, ]
write.csv(records, "records.csv", row.names = FALSE, quote = FALSE)
records$any <- as.numeric(records$cause > 0)
km <- survfit(Surv(entry, days, any) ~ 1, records, conf.type = "log-log")
middle <- quantile(km, c(.25, .5, .75))
# Without late entry: standard errors of the incidences by the delta method, and observed - expected of the log-rank test.
aj <- survfit(Surv(entry, days, factor(cause)) ~ 1, records, id = seq_len(nrow(records)))
plain <- prodlim(Hist(days, cause) ~ 1, records)
rank <- survdiff(Surv(days, any) ~ group, records)
answers <- list(
  tool = paste("R", getRversion(), "survival", packageVersion("survival"), "prodlim", packageVersion("prodlim")),
  km = list(days = km$time, at_risk = km$n.risk, events = km$n.event, survival = km$surv, standard_error = km$surv * km$std.err,
            lower = km$lower, upper = km$upper),
  quantiles = list(p = c(.25, .5, .75), days = unname(middle$quantile), lower = unname(middle$lower), upper = unname(middle$upper)),
  late_incidence = list(days = aj$time, molt = aj$pstate[, 2], death = aj$pstate[, 3]),
  plain_incidence = list(days = plain$time, molt = plain$cuminc[[1]], death = plain$cuminc[[2]],
                         molt_se = plain$se.cuminc[[1]], death_se = plain$se.cuminc[[2]]),
  log_rank = list(observed = rank$obs, expected = rank$exp))
write(toJSON(answers, digits = 12, auto_unbox = TRUE, na = "null"), "answers.json")
