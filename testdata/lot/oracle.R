# Computes oracle-r.json: answers of R to the same questions as analysis/lot,
# on the samples in oracle-scipy.json. Run by hand with Debian's r-base-core:
# Rscript oracle.R (--quick: two-sided factors of n = 10 only). No package beyond R's own is needed.
text <- paste(readLines("oracle-scipy.json"), collapse = " ")
x <- lapply(regmatches(text, gregexpr('"x": \\[[^]]*\\]', text))[[1]], function(s) as.numeric(strsplit(gsub('"x": \\[|\\]', "", s), ",")[[1]]))
num <- function(v) paste0("[", paste(sprintf("%.15g", v), collapse = ", "), "]")
shapiro <- sapply(x, function(v) { t <- shapiro.test(v); num(c(t$statistic, t$p.value)) })
k1 <- function(n, p, conf) qt(conf, n - 1, qnorm(p) * sqrt(n)) / sqrt(n)
# Two-sided exact factor by R's own adaptive quadrature and root finder.
k2 <- function(n, p, conf) {
  r <- function(m) uniroot(function(r) pnorm(m + r) - pnorm(m - r) - p, c(0, m + 10), tol = 1e-13)$root
  f <- function(k) 2 * integrate(Vectorize(function(y) dnorm(y) * pchisq((n - 1) * r(y / sqrt(n))^2 / k^2, n - 1, lower.tail = FALSE)), 0, 9, rel.tol = 1e-10)$value - conf
  uniroot(f, c(0.5, 80), tol = 1e-10)$root
}
grid <- expand.grid(n = c(2, 3, 5, 10, 30, 100), p = c(0.9, 0.99), conf = c(0.9, 0.95))
quick <- "--quick" %in% commandArgs(TRUE)
factors <- apply(grid, 1, function(g) if (quick && g["n"] != 10) "null" else num(c(g["n"], g["p"], g["conf"], k1(g["n"], g["p"], g["conf"]), k2(g["n"], g["p"], g["conf"]))))
fisher <- sapply(list(c(5, 6, 0, 6), c(2, 6, 1, 6), c(10, 30, 3, 40), c(7, 12, 2, 24)), function(v)
  num(c(v, fisher.test(matrix(c(v[1], v[2] - v[1], v[3], v[4] - v[3]), 2))$p.value)))
welch <- num(unlist(t.test(x[[3]], x[[2]])[c("statistic", "parameter", "p.value", "conf.int")]))
# A line with its prediction interval, on sample 5 against the shot's number.
i <- seq_along(x[[5]]); m <- lm(x[[5]] ~ i)
predict <- num(c(predict(m, data.frame(i = 33), interval = "prediction", level = 0.95)))
cat(sprintf('{"made_by": "R %s.%s", "shapiro": [%s],\n"factors": [%s],\n"fisher": [%s],\n"welch": %s,\n"predict": %s}\n', R.version$major, R.version$minor,
  paste(shapiro, collapse = ", "), paste(factors, collapse = ",\n"), paste(fisher, collapse = ", "), welch, predict), file = "oracle-r.json")
