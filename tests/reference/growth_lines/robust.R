# Writes stackloss.csv and stackloss_huber.csv: Huber's M-estimate by MASS (R 4.2.2, MASS 7.3-58.2).
# stackloss: Brownlee 1960, in R's datasets.
library(MASS)
fit <- rlm(stack.loss ~ ., stackloss, acc = 1e-14, maxit = 2000)
table <- summary(fit)$coefficients
write.csv(stackloss, "stackloss.csv", row.names = FALSE, quote = FALSE)
rows <- c(sprintf("%.15g,%.15g", table[, 1], table[, 2]), sprintf("%.15g,", fit$s))
writeLines(c("estimate,standard_error", rows), "stackloss_huber.csv")
