# Rscript growth_ratio_by_sex.R > growth_ratio_by_sex.json  (R 4.2.2, nlme 3.1-162)
# Orthodont on the log scale: do the lines of girls (F) and boys (M) differ in slope? Effects by REML, likelihood ratio by ML.
library(nlme)
ortho <- read.csv("orthodont.csv")
ortho$sex <- factor(substr(ortho$Subject, 1, 1))
tight <- lmeControl(opt = "optim", maxIter = 500, msMaxIter = 500, reltol = 1e-12, tolerance = 1e-10)
fit <- function(formula, method) lme(formula, random = ~ age | Subject, data = ortho, method = method, control = tight)
reml <- fit(log(distance) ~ age * sex, "REML")
full <- fit(log(distance) ~ age * sex, "ML"); null <- fit(log(distance) ~ age + sex, "ML")
# Balanced: the difference of slopes is that of the children's own least-squares slopes, its test Student's with 25 degrees of freedom.
slopes <- sapply(split(ortho, ortho$Subject), function(d) coef(lm(log(distance) ~ age, d))[2])
test <- t.test(slopes ~ substr(names(slopes), 1, 1), var.equal = TRUE)
number <- function(x) format(x, digits = 12)
cat(sprintf('{"difference": %s, "se": %s, "statistic": %s, "t_lower": %s, "t_upper": %s, "t_p": %s, "t_df": %s}\n',
            number(fixef(reml)["age:sexM"]), number(sqrt(vcov(reml)["age:sexM", "age:sexM"])),
            number(2 * (as.numeric(logLik(full)) - as.numeric(logLik(null)))), number(-test$conf.int[2]), number(-test$conf.int[1]),
            number(test$p.value), number(unname(test$parameter))))
