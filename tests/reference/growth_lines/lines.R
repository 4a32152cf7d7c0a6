# Writes lines.csv, name and value: lines of growth by R 4.2.2's lm, predict, qf and uniroot, from ../published_growth and the molts below.
m <- read.csv("../published_growth/mantids.csv")
w <- c(10, 10, 10, 10, 10, 36, 32, 28, 21, 9)  # animals measured at each molt (same source)
out <- c()
put <- function(name, value) out <<- c(out, sprintf("%s,%.15g", name, value))

plain <- lm(log(animal_mm) ~ molt, m)
at <- data.frame(molt = c(3, 11))
line <- predict(plain, at, se.fit = TRUE)
wide <- sqrt(2 * qf(0.9, 2, plain$df.residual))
for (i in 1:2) {
  for (kind in c("confidence", "prediction")) {
    band <- exp(predict(plain, at, interval = kind, level = 0.9))
    put(paste0(kind, i, "_lower"), band[i, 2]); put(paste0(kind, i, "_upper"), band[i, 3])
  }
  put(paste0("simultaneous", i, "_lower"), exp(line$fit[i] - wide * line$se.fit[i]))
  put(paste0("simultaneous", i, "_upper"), exp(line$fit[i] + wide * line$se.fit[i]))
}
ratio <- exp(confint(plain)[2, ])
put("ratio_lower", ratio[1]); put("ratio_upper", ratio[2])
t <- (coef(plain)[2] - log(2) / 3) / summary(plain)$coefficients[2, 2]
put("przibram_t", t); put("przibram_p", 2 * pt(-abs(t), 8))

weighted <- lm(log(animal_mm) ~ molt, m, weights = w)
put("weighted_a", coef(weighted)[1]); put("weighted_b", coef(weighted)[2])
put("weighted_se_b", summary(weighted)$coefficients[2, 2]); put("weighted_sd", summary(weighted)$sigma)
put("weighted_r2", summary(weighted)$r.squared)
put("weighted_quadratic_p", summary(update(weighted, . ~ . + I(molt^2)))$coefficients[3, 4])

# Own intercepts, one slope: animals and skins as two series; and the F test of own slopes.
both <- rbind(data.frame(molt = m$molt, size = m$animal_mm, of = "animal"), data.frame(molt = m$molt, size = m$skin_mm, of = "skin")[-1, ])
one <- lm(log(size) ~ of + molt, both); own <- lm(log(size) ~ of * molt, both)
put("pooled_slope", coef(one)["molt"]); put("pooled_se", summary(one)$coefficients["molt", 2]); put("pooled_sd", summary(one)$sigma)
put("pooled_animal", coef(one)[1]); put("pooled_skin", coef(one)[1] + coef(one)[2])
test <- anova(one, own); put("slopes_F", test$F[2]); put("slopes_p", test$`Pr(>F)`[2])

# Hiatt's line, its logarithms, and sizes before the molt that a size after it leaves open, by root finding of the band's edges.
pre <- m$animal_mm[-10]; post <- m$animal_mm[-1]
hiatt <- lm(post ~ pre)
edges <- function(fit, y, level, from, to, new = TRUE) {
  gap <- function(x) {
    p <- predict(fit, data.frame(pre = x), se.fit = TRUE)
    abs(y - p$fit) - qt(0.5 + level / 2, fit$df.residual) * sqrt(p$se.fit^2 + new * summary(fit)$sigma^2)
  }
  middle <- (y - coef(fit)[1]) / coef(fit)[2]
  c(uniroot(gap, c(from, middle), tol = 1e-13)$root, uniroot(gap, c(middle, to), tol = 1e-13)$root)
}
put("hiatt_pre_lower", edges(hiatt, 10, 0.9, -5, 30)[1]); put("hiatt_pre_upper", edges(hiatt, 10, 0.9, -5, 30)[2])
put("hiatt_mean_lower", edges(hiatt, 10, 0.9, -5, 30, FALSE)[1]); put("hiatt_mean_upper", edges(hiatt, 10, 0.9, -5, 30, FALSE)[2])
logs <- lm(log(post) ~ log(pre))
put("log_a", coef(logs)[1]); put("log_b", coef(logs)[2]); put("log_sd", summary(logs)$sigma)

# A bent line through invented molts (no animal's): best breakpoint by a search between data points, profile by root finding.
x <- c(10, 20, 30, 40, 50, 60, 70, 80, 90, 100, 110, 120)
y <- c(13.9, 26.2, 37.4, 51.0, 62.3, 75.1, 86.2, 98.9, 107.4, 116.3, 127.8, 136.4)
rss <- function(k) sum(residuals(lm(y ~ x + pmax(x - k, 0)))^2)
best <- optimize(rss, c(70, 90), tol = 1e-12)
for (k in seq(20, 110, 0.05)) if (rss(k) < best$objective - 1e-9) stop("not the best breakpoint")
bent <- lm(y ~ x + pmax(x - best$minimum, 0))
limit <- best$objective * (1 + qf(0.95, 1, 8) / 8)
put("bent_at", best$minimum); put("bent_rss", best$objective); put("bent_slope", coef(bent)[2]); put("bent_change", coef(bent)[3])
put("bent_lower", uniroot(function(k) rss(k) - limit, c(20, best$minimum), tol = 1e-12)$root)
put("bent_upper", uniroot(function(k) rss(k) - limit, c(best$minimum, 110), tol = 1e-12)$root)
writeLines(c("name,value", out), "lines.csv")
