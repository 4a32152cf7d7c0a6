# Writes tests/reference/allometry_iris: sepal length on sepal width of R's `iris`, by species, and what R says of it.
# Run: Rscript tests/reference/allometry_iris.R tests/reference/allometry_iris
# Least squares: lm, confint, anova. Standardised major axis: the bivariate normal likelihood with sd(y) / sd(x) shared by
# the species, maximised by optim over (log slope, log sd(x) and correlation of each species): no formula of the axis is used.
folder <- commandArgs(TRUE)[1]
d <- iris[, c("Species", "Sepal.Width", "Sepal.Length")]
names(d) <- c("species", "x", "y")
write.csv(d, file.path(folder, "iris.csv"), row.names = FALSE, quote = FALSE)
d$lx <- log(d$x); d$ly <- log(d$y)
groups <- split(d, d$species)

cloud <- function(g) { n <- nrow(g); cov(g[, c("lx", "ly")]) * (n - 1) / n }
ll <- function(n, s, v) -n / 2 * (2 * log(2 * pi) + log(det(v)) + sum(diag(solve(v, s))))
shared <- function(theta, weight) {
  if (any(abs(theta) > 10)) return(1e6)
  total <- 0
  for (i in seq_along(groups)) {
    sx <- exp(theta[2 * i]); r <- tanh(theta[2 * i + 1]); sy <- exp(theta[1]) * sx
    v <- matrix(c(sx^2, r * sx * sy, r * sx * sy, sy^2), 2)
    n <- nrow(groups[[i]])
    total <- total + weight(n) * (ll(n, cloud(groups[[i]]), cloud(groups[[i]])) - ll(n, cloud(groups[[i]]), v))
  }
  2 * total
}
start <- c(0, as.vector(sapply(groups, function(g) c(log(sd(g$lx)), atanh(cor(g$lx, g$ly))))))
search <- function(weight, fixed = NULL) {
  f <- if (is.null(fixed)) function(t) shared(t, weight) else function(t) shared(c(fixed, t), weight)
  s <- if (is.null(fixed)) start else start[-1]
  for (k in 1:30) s <- optim(s, f, method = "BFGS", control = list(reltol = 1e-15, maxit = 2000))$par
  list(par = s, value = f(s))
}
ml <- search(function(n) 1)
b <- exp(ml$par[1])
corrected <- function(log_b) search(function(n) (n - 2.5) / n, fixed = log_b)$value
at_best <- corrected(log(b))
rise <- function(log_b) corrected(log_b) - at_best - qchisq(.95, 1)
ends <- exp(c(uniroot(rise, log(b) - c(.5, 0), tol = 1e-10)$root, uniroot(rise, log(b) + c(0, .5), tol = 1e-10)$root))

each <- lapply(groups, function(g) {
  m <- lm(ly ~ lx, g); ci <- confint(m)
  list(n = nrow(g), ols_slope = unname(coef(m)[2]), ols_slope_ci = unname(ci[2, ]), ols_intercept = unname(coef(m)[1]),
       ols_intercept_ci = unname(ci[1, ]), sigma = summary(m)$sigma, r_squared = summary(m)$r.squared,
       sma_slope = sign(cor(g$lx, g$ly)) * sd(g$ly) / sd(g$lx),
       # the slope b is isometric (1) where y - x and y + x are uncorrelated
       sma_p_isometry = cor.test(g$ly - g$lx, g$ly + g$lx)$p.value,
       # ends of the slope: where that correlation at b is just significant at 5 %
       sma_ci = sapply(c(-1, 1), function(side) {
         s <- log(sd(g$ly) / sd(g$lx))
         exp(uniroot(function(k) cor.test(g$ly - exp(k) * g$lx, g$ly + exp(k) * g$lx)$p.value - .05,
                     sort(c(s, s + side * 2)), tol = 1e-12)$root)
       }))
})
parallel <- lm(ly ~ lx + species, d); free <- lm(ly ~ lx * species, d); test <- anova(parallel, free)
answers <- list(program = R.version.string, groups = each,
  ols = list(slope = unname(coef(parallel)[2]), ci = unname(confint(parallel)["lx", ]), F = test$F[2], p = test$`Pr(>F)`[2], df = test$Res.Df[2]),
  sma = list(slope = b, ci = ends, statistic = at_best, p = pchisq(at_best, 2, lower.tail = FALSE)))
writeLines(jsonlite::toJSON(answers, digits = 15, auto_unbox = TRUE, pretty = TRUE), file.path(folder, "answers.json"))
