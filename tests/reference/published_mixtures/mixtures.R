library(mclust)
data(acidity)
control <- emControl(tol = c(1e-14, 1e-14), itmax = 20000)
rows <- list()
for (name in c("acidity", "faithful_eruptions")) {
  x <- if (name == "acidity") acidity else faithful$eruptions
  write.csv(setNames(data.frame(x), if (name == "acidity") "log_anc" else "eruptions"), paste0(name, ".csv"), row.names = FALSE)
  for (model in c("E", "V")) for (G in 1:4) {
    m <- Mclust(x, G = G, modelNames = model, control = control, verbose = FALSE)
    rows[[length(rows) + 1]] <- data.frame(data = name, model = model, G = G, loglik = format(m$loglik, digits = 15),
                                           bic = format(m$bic, digits = 15), icl = format(m$icl, digits = 15))
  }
}
write.csv(do.call(rbind, rows), "answers.csv", row.names = FALSE, quote = FALSE)

write.csv(faithful, "faithful.csv", row.names = FALSE)
two <- lapply(2:4, function(G) {
  m <- Mclust(faithful, G = G, modelNames = "EEE", control = control, verbose = FALSE)
  data.frame(G = G, loglik = format(m$loglik, digits = 15), bic = format(m$bic, digits = 15), icl = format(m$icl, digits = 15))
})
write.csv(do.call(rbind, two), "two_traits.csv", row.names = FALSE, quote = FALSE)
