# Rscript degrees_of_freedom.R > degrees_of_freedom.json  (R 4.2.2, lme4 1.1-31, lmerTest 3.1, pbkrtest 0.5)
suppressMessages({library(lmerTest); library(pbkrtest)})
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9), calc.derivs = FALSE)
model <- function(name, formula, data) {
  fit <- lmer(formula, data, REML = TRUE, control = tight)
  kr <- summary(fit, ddf = "Kenward-Roger")$coefficients
  sat <- summary(fit)$coefficients
  quoted <- function(x) paste0("[", paste(format(x, digits = 12), collapse = ", "), "]")
  sprintf('"%s": {"se": %s, "satterthwaite": %s, "kr_se": %s, "kr": %s}', name, quoted(sat[, 2]), quoted(sat[, 3]),
          quoted(kr[, 2]), quoted(kr[, 3]))
}
sleep <- read.csv("sleepstudy.csv"); sleep$Subject <- factor(sleep$Subject)
ortho <- read.csv("orthodont.csv"); ortho$Subject <- factor(ortho$Subject)
lopsided <- sleep[!(sleep$Subject %in% c(308, 309) & sleep$Days > 1) & (as.integer(sleep$Subject) + sleep$Days) %% 3 != 0, ]
cat("{", paste(c(model("sleepstudy", Reaction ~ Days + (Days | Subject), sleep),
  model("sleepstudy_intercept", Reaction ~ Days + (1 | Subject), sleep),
  model("orthodont", distance ~ age + (age | Subject), ortho),
  model("lopsided", Reaction ~ Days + (Days | Subject), lopsided),
  model("lopsided_apart", Reaction ~ Days + (Days || Subject), lopsided)), collapse = ",\n"), "}\n")
