# Rscript survfit.R: writes survfit.csv, the masses of R survival's Turnbull estimate of either arm.
suppressMessages(library(survival))
records <- read.csv("records.csv")
of_arm <- function(arm) {
  own <- records[records$chemotherapy == arm, ]
  fit <- survfit(Surv(ifelse(own$t_lo == 0, NA, own$t_lo), own$t_hi, type = "interval2") ~ 1)
  mass <- -diff(c(1, fit$surv))
  data.frame(chemotherapy = arm, time = fit$time, mass = mass)[mass > 1e-12, ]
}
write.csv(format(rbind(of_arm(0), of_arm(1)), digits = 12), "survfit.csv", row.names = FALSE, quote = FALSE)
