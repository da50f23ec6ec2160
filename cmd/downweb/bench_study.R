# The default model without plant-weeks, and its shift test for 15 lags, in plain
# R: iterated least squares with press levels and trends taken out press by
# press, tables by fft, shifts looked up. Presses are the blocks.
a <- commandArgs(TRUE); draws <- as.integer(a[2]); L <- 14
d <- read.csv(a[1], check.names = FALSE)
d$W <- d$run_waste_mm / 1000; d$km <- d$run_mm / 1e6
cc <- median(d$W[d$W > 0]) / 100
pos <- ave(d$day, d$press, FUN = seq_along)
rate <- log((d$W + cc) / d$km)
lag <- ave(rate, d$press, FUN = function(x) { x <- c(NA, head(x, -1)); ifelse(is.na(x), mean(x, na.rm = TRUE), x) })
idle <- as.numeric(ave(d$day, d$press, FUN = function(x) c(0, diff(x))) > 2)
wd <- (d$day + 3) %% 7 + 1
st <- grep("^station\\..*\\.state$", names(d), value = TRUE)
D <- sapply(st, function(s) as.numeric(d[[s]] == "not_cleaned"))
fam <- d[["family.film"]] + d[["family.paper"]]
share <- if (sum(d[["family.film"]]) >= sum(d[["family.paper"]])) d[["family.paper"]] / fam else d[["family.film"]] / fam
X <- cbind(log(d$km), lag, sapply(2:7, function(k) as.numeric(wd == k)), log(d$planned_mm / 1e6), d$jobs, d$shifts, idle, share, D)
use <- pos > L
X <- X[, apply(X[use, ], 2, function(x) length(unique(x)) > 1)]
S <- (ncol(X) - ncol(D) + 1):ncol(X)
rows <- split(which(use), d$press[use])
t0 <- (d$day - min(d$day)) / 365
off <- log(d$km); W <- d$W
clock <- function() proc.time()[["elapsed"]]
begin <- clock()
mu <- pmax(ave(W, d$press), cc) * d$km / ave(d$km, d$press); eta <- log(mu)
for (it in 1:60) {
  z <- eta - off + (W - mu) / mu; r <- sqrt(mu)
  M <- cbind(z, X) * r
  for (g in rows) { q <- qr(cbind(1, t0[g]) * r[g]); M[g, ] <- qr.resid(q, M[g, , drop = FALSE]) }
  A <- M[use, -1]; b <- solve(crossprod(A), crossprod(A, M[use, 1]))
  new <- eta; new[use] <- (r * z)[use] - (M[use, 1] - A %*% b); new[use] <- new[use] / r[use] + off[use]
  step <- max(abs(new[use] - eta[use])); eta <- new; mu <- exp(eta)
  if (step < 1e-10) break
}
fit <- clock() - begin; begin <- clock()
Q <- solve(crossprod(A)); u <- ((W - mu) / sqrt(mu))
press <- split(seq_along(W), d$press)
tables <- list()
for (s in seq_along(S)) {
  q <- numeric(length(W)); q[use] <- (A %*% Q)[, S[s]] / Q[S[s], S[s]]
  tables[[s]] <- lapply(press, function(g) {
    own <- use[g]; x <- ifelse(own, u[g], 0); n <- length(g)
    C <- function(v) { v <- Re(fft(fft(v) * Conj(fft(q[g])), inverse = TRUE)) / n; v - mean(v) }
    zero <- C(x + b[S[s]] * q[g] * own); bare <- C(x)
    cbind(zero, sapply(1:L, function(l) bare[(seq_len(n) - 1 + l) %% n + 1]))
  })
}
table <- clock() - begin; begin <- clock()
set.seed(1)
K <- sapply(press, function(g) sample.int(length(g), draws, replace = TRUE))
for (s in seq_along(S)) {
  sum <- sq <- matrix(0, draws, L + 1)
  for (p in seq_along(press)) { v <- tables[[s]][[p]][K[, p], ]; sum <- sum + v; sq <- sq + v * v }
  T <- abs(sum / sqrt(sq))
}
shift <- clock() - begin
cat(sprintf('{"fit_s": %.4f, "table_s": %.4f, "draws_s": %.4f, "draws": %d, "version": "%s", "beta": [%s]}', fit, table, shift, draws,
  paste(R.version$major, R.version$minor, sep = "."), paste(sprintf("%.12g", b[S]), collapse = ", ")))
