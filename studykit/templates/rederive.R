# Every verdict interval of this study again, in R, from the rows that the kit says it used.
#
# Run it in this folder:   Rscript rederive.R
# Base R is enough. Where containers were declared to have gradients of their own and readings are lost, the packages lme4
# and pbkrtest are needed too. It reads study/report/05-model/rows-*.csv, holds each of these rows against
# study/tidy/results.csv, works every interval out anew and prints it beside the kit's (study/report/06-verdict).
# It ends with an error where one differs by more than 1e-6 of its size, or where the intervals and the declared margin do
# not allow the word of the verdict. Nothing is written. One-sided margins are named and left out: the shares of the zones
# in their containers, which they need, are worked out by the kit alone.
#
# The rule, in short (study/../README.txt says where the long form stands): the container is the unit. A container's cell is
# the mean of its determinations at a depth, on the scale of the margin (logarithms for a margin in per cent). A difference
# between two depths is judged by the containers' own differences, a t test; where readings are lost, by least squares
# within containers (each group of the factors that act on depth by itself, then in the mix of all) with the bias-reduced
# cluster variance CR2 about the mean of all and Satterthwaite's degrees of freedom (Bell and McCaffrey 2002), the least over
# one noisy depth where fewer than three containers have both depths of the pair.

options(warn = 1, digits = 10, stringsAsFactors = FALSE)
#: constants of the study

near <- function(a, b) (is.infinite(a) & a == b) | abs(a - b) <= 1e-6 * pmax(abs(a), abs(b)) + 1e-9
table_of <- function(path) utils::read.csv(path, colClasses = "character", na.strings = NULL, check.names = FALSE,
                                           encoding = "UTF-8", strip.white = TRUE)
number <- function(x) suppressWarnings(as.numeric(x))

# ---- rows, and whether they are those of the tidy table

rows_of <- function(a) {
  d <- table_of(file.path("study/report/05-model", paste0("rows-", a$file, ".csv")))
  tidy <- table_of("study/tidy/results.csv")
  tidy <- tidy[tidy$analyte == a$key, ]
  at <- match(paste(d$sample, number(d$replicate)), paste(tidy$sample, number(tidy$replicate)))
  if (anyNA(at)) stop(a$key, ": a row is not in study/tidy/results.csv")
  mine <- ifelse(d$qualifier == "", d$value, d$limit)
  same <- d$qualifier == tidy$qualifier[at] & number(mine) == number(ifelse(d$qualifier == "", tidy$value[at], tidy$limit[at]))
  if (!all(same)) stop(a$key, ": ", sum(!same), " rows differ from study/tidy/results.csv")
  d$depth <- factor(d$depth, levels = intersect(depths, unique(d$depth)))
  d
}

selected <- function(a) { # rows of the tidy table that the plan lets into the model, counted without the kit
  plan <- table_of("study/plan/samples.csv"); kept <- table_of("study/plan/containers.csv"); tidy <- table_of("study/tidy/results.csv")
  names(plan)[1] <- sub("^\ufeff", "", names(plan)[1]); names(kept)[1] <- sub("^\ufeff", "", names(kept)[1])
  stored <- if (is.null(kept$treatment)) kept$container else kept$container[kept$treatment %in% c("", "stored")]
  zones <- plan$sample[plan$kind %in% c("spot", "duplicate", "split") & plan$container %in% stored]
  taken <- tidy[tidy$analyte == a$key & tidy$sample %in% zones, ]
  if (file.exists("study/plan/exclusions.csv")) {
    out <- table_of("study/plan/exclusions.csv"); names(out)[1] <- sub("^\ufeff", "", names(out)[1])
    for (i in seq_len(nrow(out))) {
      gone <- taken$sample == out$sample[i] & out$analyte[i] %in% c("", a$key)
      if (!is.null(out$replicate) && out$replicate[i] != "") gone <- gone & number(taken$replicate) == number(out$replicate[i])
      taken <- taken[!gone, ]
    }
  }
  if (!is.null(plan$visited_on)) { # of containers drawn again the last visit counts
    at <- match(taken$sample, plan$sample); who <- plan$container[at]; day <- plan$visited_on[at]
    if (!is.null(kept$sampled_on)) day <- ifelse(day == "", kept$sampled_on[match(who, kept$container)], day)
    taken <- taken[day == "" | day == ave(day, who, FUN = max), ]
  }
  nrow(taken)
}

# ---- cells: container by depth, with bounds where a value is known only as a limit

step_of <- function(v) { # the decimal step in which numbers were written; 0 where none is seen
  v <- abs(v); top <- max(v, 0)
  for (decimals in 0:8) {
    step <- 10^-decimals
    if (step < 1e-7 * top) return(0)
    steps <- v / step
    if (all(abs(steps - round(steps)) <= 1e-9 * pmax(steps, 1))) return(step)
  }
  0
}

cells_of <- function(a, d) {
  value <- number(d$value); limit <- number(d$limit); clear <- d$qualifier == ""
  low <- ifelse(clear, value, ifelse(d$qualifier == "<", pmin(limit, 0), limit))
  high <- ifelse(clear, value, ifelse(d$qualifier == "<", limit, Inf))
  half <- ifelse(low == high, step_of(low[low == high]) / 2, 0)
  scaled <- function(x) if (a$log) suppressWarnings(ifelse(x <= 0, -Inf, log(x))) else x
  cell <- list(factor(d$container, levels = unique(d$container)), d$depth)
  mean_of <- function(x) { m <- tapply(scaled(x), cell, mean); matrix(m, nrow(m), ncol(m), dimnames = dimnames(m)) }
  out <- list(low = mean_of(low), high = mean_of(high), outer_low = mean_of(low - half), outer_high = mean_of(high + half))
  counts <- matrix(tapply(low, cell, length), nrow(out$low)); counts[is.na(counts)] <- 0
  ok <- !is.na(out$low) & out$low == out$high & is.finite(out$outer_low)
  width <- (out$outer_high - out$outer_low)[ok]
  out$step <- if (length(width)) sqrt(mean(width^2 / pmax(counts[ok], 1))) else 0
  out$limited <- any(out$low < out$high, na.rm = TRUE)
  out$Z <- columns_of(a, d[!duplicated(d$container), ])
  out
}

columns_of <- function(a, info) { # the columns of factors that act on depth
  n <- nrow(info); Z <- matrix(1, n, 1)
  for (f in a$by_depth) {
    if (f %in% c("age_months", a$numeric)) { x <- number(info[[f]]); Z <- cbind(Z, x - mean(x)) }
    else for (l in sort(unique(info[[f]]))[-1]) Z <- cbind(Z, as.numeric(info[[f]] == l))
  }
  if (qr(Z)$rank == ncol(Z) && n - ncol(Z) >= 2 && length(a$by_depth)) Z else matrix(1, n, 1)
}

# ---- differences between depths, whatever the scatter across depths

pair_rows <- function(k) {
  out <- NULL
  for (i in seq_len(k - 1)) for (j in (i + 1):k) { r <- numeric(k); r[i] <- -1; r[j] <- 1; out <- rbind(out, r) }
  unname(out)
}
power_of <- function(m, power, keep) { # a power of a symmetric matrix on its range
  e <- eigen((m + t(m)) / 2, symmetric = TRUE); ok <- keep(e$values)
  v <- e$vectors[, ok, drop = FALSE]
  v %*% (e$values[ok]^power * t(v))
}
pinv <- function(m) power_of(m, -1, function(v) v > 1e-9 * max(v, 1e-300))
inverse_root <- function(m) power_of(m, -0.5, function(v) v > 1e-7)

complete <- function(y) {
  n <- nrow(y); d <- y %*% t(pair_rows(ncol(y)))
  data.frame(estimate = colMeans(d), se = apply(d, 2, sd) / sqrt(n), df = n - 1, unit = 1 / n)
}

weighed <- function(w) { # a weighted mean's deviations, each scaled to be unbiased: u = a (I - 1w') d
  a <- w / sqrt(1 + sum(w^2) - 2 * w); u <- a * sweep(diag(length(w)), 2, w); o <- tcrossprod(u)
  list(u = u, df = sum(diag(o))^2 / sum(o^2), unit = sum(w^2))
}

own <- function(y, Z) { # each pair from the containers that have both depths, weighed to the mix of all
  C <- pair_rows(ncol(y)); at <- colMeans(Z)
  do.call(rbind, lapply(seq_len(nrow(C)), function(p) {
    d <- y[, C[p, ] == 1] - y[, C[p, ] == -1]; ok <- !is.na(d); z <- Z[ok, , drop = FALSE]
    none <- data.frame(estimate = NA, se = NA, df = NA, unit = NA)
    if (sum(ok) < 2) return(none)
    inv <- pinv(crossprod(z)); w <- drop(at %*% inv %*% t(z)); f <- weighed(w)
    if (f$df < 1 - 1e-6 || max(abs(drop(at %*% inv %*% crossprod(z)) - at)) > 1e-6) return(none)
    data.frame(estimate = sum(w * d[ok]), se = sqrt(sum((f$u %*% d[ok])^2)), df = f$df, unit = f$unit)
  }))
}

residual_maker <- function(p) { # what turns all readings, container by container, into residuals within containers
  big <- matrix(0, p$n * p$k, p$n * p$k); X <- do.call(rbind, p$X)
  for (i in seq_len(p$n)) { s <- (i - 1) * p$k + seq_len(p$k); big[s, s] <- p$M[[i]] }
  score <- t(X) %*% big
  list(solve = p$inv %*% score, resid = big %*% (diag(nrow(X)) - X %*% p$common %*% score))
}

least_df <- function(p, w, df) { # the least were one depth to scatter ten times as much, for depths that few containers have together
  maker <- residual_maker(p)
  u <- do.call(rbind, lapply(seq_len(p$n), function(i) w[[i]] %*% maker$resid[(i - 1) * p$k + seq_len(p$k), ]))
  noisy <- sapply(seq_len(p$k), function(j) {
    scatter <- rep(1, p$k); scatter[j] <- 10
    omega <- tcrossprod(sweep(u, 2, rep(scatter, p$n), `*`))
    sum(diag(omega))^2 / sum(omega^2)
  })
  min(df, noisy)
}

linked_parts <- function(y, Z) { # least squares within containers, container = cluster
  n <- nrow(y); k <- ncol(y); q <- ncol(Z); ok <- !is.na(y); y0 <- ifelse(ok, y, 0)
  M <- lapply(seq_len(n), function(i) { o <- as.numeric(ok[i, ]); diag(o, k) - outer(o, o) / max(sum(o), 1) })
  X <- lapply(seq_len(n), function(i) kronecker(Z[i, , drop = FALSE], diag(k)))
  info <- Reduce(`+`, lapply(seq_len(n), function(i) t(X[[i]]) %*% M[[i]] %*% X[[i]]))
  inv <- pinv(info)
  mu <- drop(inv %*% Reduce(`+`, lapply(seq_len(n), function(i) t(X[[i]]) %*% M[[i]] %*% y0[i, ])))
  at <- colMeans(Z); one <- drop(pinv(crossprod(Z)) %*% colSums(Z)) # Z one = 1: every profile is taken to be the mean of all
  common <- kronecker(one %o% at, diag(k)) %*% inv; spread <- common + t(common) - common %*% info %*% t(common)
  root <- lapply(seq_len(n), function(i) inverse_root(M[[i]] - M[[i]] %*% X[[i]] %*% spread %*% t(X[[i]]) %*% M[[i]]))
  list(n = n, k = k, ok = ok, y0 = y0, M = M, X = X, info = info, inv = inv, common = common, spread = spread, mu = mu,
       mean = drop(matrix(mu, k) %*% at), root = root, at = at)
}

linked <- function(y, Z) {
  p <- linked_parts(y, Z); C <- pair_rows(p$k)
  do.call(rbind, lapply(seq_len(nrow(C)), function(r) {
    load <- as.vector(outer(C[r, ], p$at)); reach <- drop(load %*% p$inv)
    if (max(abs(drop(reach %*% p$info) - load)) > 1e-6) return(data.frame(estimate = NA, se = NA, df = NA, unit = NA))
    w <- lapply(seq_len(p$n), function(i) drop(reach %*% t(p$X[[i]]) %*% p$M[[i]] %*% p$root[[i]]))
    resid <- lapply(seq_len(p$n), function(i) ifelse(p$ok[i, ], p$y0[i, ] - p$mean, 0))
    u <- sapply(seq_len(p$n), function(i) sum(w[[i]] * drop(p$M[[i]] %*% resid[[i]])))
    omega <- sapply(seq_len(p$n), function(l) sapply(seq_len(p$n), function(i)
      -drop(w[[i]] %*% p$X[[i]] %*% p$spread %*% t(p$X[[l]]) %*% w[[l]]) + (i == l) * sum(w[[i]]^2)))
    trace <- sum(diag(omega)); unit <- sum(reach * load); good <- abs(trace - unit) < 1e-6 * max(unit, 1e-9)
    df <- if (good) trace^2 / sum(omega^2) else NA
    if (good && sum(p$ok[, C[r, ] == 1] & p$ok[, C[r, ] == -1]) < 3) df <- least_df(p, w, df)
    data.frame(estimate = sum(load * p$mu), se = if (good) sqrt(sum(u^2)) else NA, df = df, unit = if (good) unit / 2 else NA)
  }))
}

judged <- function(f) is.finite(f$se) & !is.na(f$df) & f$df >= 1 - 1e-6
promised <- function(f) ifelse(judged(f), sqrt(f$unit) * qt(0.95, ifelse(judged(f), f$df, 1)), Inf)
floored <- function(f, y, step) {
  f$se <- pmax(f$se, 1e-13 * max(abs(y), na.rm = TRUE))
  if (step > 0) f$se <- pmax(f$se, sqrt(f$unit * 2 / 12) * step)
  f
}
differences <- function(y, Z, step) {
  if (!anyNA(y)) return(floored(complete(y), y, step))
  a <- linked(y, Z); b <- own(y, Z); take <- promised(a) <= promised(b) * (1 + 1e-9)
  out <- b; out[take, ] <- a[take, ]
  floored(out, y, step)
}

# ---- limits that hold wherever values known only within bounds lie

forms_of <- function(low, high, Z) { # every pair as a linear form w'y with variance y'Qy
  y0 <- ifelse(is.na(low), NA, 0); found <- differences(y0, Z, 0); C <- pair_rows(ncol(low)); at <- colMeans(Z)
  alone <- if (anyNA(y0)) own(y0, Z) else found
  lapply(seq_len(nrow(C)), function(p) {
    if (!judged(found[p, ])) return(NULL)
    i <- which(C[p, ] == -1); j <- which(C[p, ] == 1); both <- !is.na(low[, i]) & !is.na(low[, j])
    if (isTRUE(abs(alone$df[p] - found$df[p]) < 1e-9 && abs(alone$unit[p] - found$unit[p]) < 1e-9)) {
      z <- Z[both, , drop = FALSE]; w <- drop(at %*% pinv(crossprod(z)) %*% t(z))
      list(w = w, Q = crossprod(weighed(w)$u), df = found$df[p], unit = found$unit[p],
           low = low[both, j] - high[both, i], high = high[both, j] - low[both, i])
    } else linked_form(low, high, Z, C[p, ], found[p, ])
  })
}

linked_form <- function(low, high, Z, row, f) {
  p <- linked_parts(ifelse(is.na(low), NA, 0), Z); cells <- as.vector(t(p$ok))
  maker <- residual_maker(p); resid <- maker$resid; load <- as.vector(outer(row, p$at))
  u <- do.call(rbind, lapply(seq_len(p$n), function(i)
    (load %*% p$inv %*% t(p$X[[i]]) %*% p$M[[i]] %*% p$root[[i]]) %*% resid[(i - 1) * p$k + seq_len(p$k), ]))
  list(w = drop(load %*% maker$solve)[cells], Q = crossprod(u[, cells, drop = FALSE]), df = f$df, unit = f$unit,
       low = as.vector(t(low))[cells], high = as.vector(t(high))[cells])
}

largest <- function(f, c, floor, sign) { # a proven bound of sign w'y + c sqrt(y'Qy) over the box
  w <- sign * f$w; used <- abs(w) > 0 | colSums(abs(f$Q)) > 0
  if (!all(is.finite(c(f$low[used], f$high[used])))) return(Inf)
  y0 <- f$low[used]; width <- (f$high - f$low)[used]; w <- w[used]; Q <- f$Q[used, used, drop = FALSE]
  flat <- sum(w * y0) + sum(pmax(w * width, 0)) + c * floor; free <- width > 0
  if (!any(free)) return(max(flat, sum(w * y0) + c * sqrt(max(drop(y0 %*% Q %*% y0), 0))))
  E <- width[free]; H <- Q[free, free, drop = FALSE] * outer(E, E); p0 <- drop(y0 %*% Q %*% y0); l <- 2 * drop(Q %*% y0)[free] * E
  d <- sqrt(pmax(diag(H), 1e-300)); top <- max(eigen(H / outer(d, d), symmetric = TRUE)$values); a0 <- sum(w * y0); b <- w[free] * E
  tiny <- 1e-14 * max(p0 + sum(abs(l)) + sum(abs(H)), 1e-300); L <- max(top, 1) * (1 + 1e-12) * d^2
  inner <- function(x) max(p0 + sum((l + L) * x) + drop(x %*% H %*% x) - sum(L * x^2), 0) + tiny
  value <- function(x) a0 + sum(b * x) + c * sqrt(inner(x))
  slope <- function(x) b + c * (l + L + 2 * (drop(H %*% x) - L * x)) / (2 * sqrt(inner(x)))
  bound <- function(lo, hi) {
    x <- optim((lo + hi) / 2, function(x) -value(x), function(x) -slope(x), method = "L-BFGS-B", lower = lo, upper = hi,
               control = list(factr = 10, pgtol = 0, maxit = 5000))$par
    x <- pmin(pmax(x, lo), hi); g <- slope(x)
    list(v = value(x) + sum(pmax(g * (hi - x), g * (lo - x))), x = x)
  }
  root <- bound(0 * b, 0 * b + 1); i <- which.max(pmin(root$x, 1 - root$x) * L + 1e-12)
  halves <- sapply(0:1, function(side) { lo <- 0 * b; hi <- lo + 1; lo[i] <- hi[i] <- side; bound(lo, hi)$v })
  max(flat, min(max(halves), root$v))
}

bounded <- function(x, Z, alpha, rounded) {
  low <- if (rounded) x$outer_low else x$low; high <- if (rounded) x$outer_high else x$high
  t(sapply(forms_of(low, high, Z), function(f) {
    if (is.null(f)) return(c(-Inf, Inf))
    c <- qt(1 - alpha, f$df); floor <- x$step * sqrt(f$unit / 6)
    c(-largest(f, c, floor, -1), largest(f, c, floor, 1))
  }))
}

# ---- the three roads to an interval: limits on the scale of analysis for every pair, and who found them

within_groups <- function(y, Z, f) { # what is left within groups, which rounding is held against
  if (ncol(Z) == 1) return(f)
  for (j in seq_len(ncol(y))) { ok <- !is.na(y[, j]); y[ok, j] <- qr.resid(qr(Z[ok, , drop = FALSE]), y[ok, j]) }
  g <- differences(y, matrix(1, nrow(y), 1), 0); g$se <- g$se * sqrt((nrow(Z) - 1) / max(nrow(Z) - ncol(Z), 1)); g
}

many <- function(a, d) {
  x <- cells_of(a, d); middle <- (x$low + x$high) / 2; middle[!is.finite(middle)] <- NA
  f <- differences(middle, x$Z, x$step); g <- within_groups(middle, x$Z, f); sd <- ifelse(judged(g), g$se / sqrt(g$unit), Inf)
  rounded <- min(sd) < 0.7 * x$step
  out <- data.frame(estimate = f$estimate, low = f$estimate - qt(1 - alpha, f$df) * f$se, high = f$estimate + qt(1 - alpha, f$df) * f$se)
  m <- nrow(f); wide <- qt(1 - alpha / 2 / m, f$df) * f$se
  out$joint_low <- f$estimate - wide; out$joint_high <- f$estimate + wide
  how <- if (anyNA(middle)) "t, lost readings by CR2" else "t over containers"
  if (x$limited || rounded) {
    b <- bounded(x, x$Z, alpha, rounded)
    out[c("low", "joint_low")] <- b[, 1]; out[c("high", "joint_high")] <- b[, 2]; how <- "proven bounds"
  }
  list(table = out, how = how)
}

one <- function(a, d) { # one container: the scatter is the stated one; limits at both their ends
  ends <- function(low) ifelse(d$qualifier == "", number(d$value), if (low) pmin(0, number(d$limit)) else number(d$limit))
  lo <- tapply(ends(TRUE), d$depth, mean); hi <- tapply(ends(FALSE), d$depth, mean); n <- tapply(ends(FALSE), d$depth, length)
  level <- c(mean(lo), mean(hi)) # a factor is judged on logs, the stated scatter as a share of the level
  if (a$ratio) { a$s <- a$s / level[2]; lo <- log(lo); hi <- log(hi) }
  C <- pair_rows(length(n)); up <- C == 1; down <- C == -1
  least <- drop(up %*% lo - down %*% hi); most <- drop(up %*% hi - down %*% lo); se <- a$s * sqrt(drop(abs(C) %*% (1 / n)))
  z <- qnorm(1 - alpha) * se; wide <- qnorm(1 - alpha / 2 / nrow(C)) * se
  list(table = data.frame(estimate = drop(C %*% hi), low = least - z, high = most + z, joint_low = least - wide,
                          joint_high = most + wide), how = "stated scatter", level = level)
}

declared <- function(a, d) { # a scatter that was declared before the data
  x <- cells_of(a, d); y <- (x$low + x$high) / 2; Z <- x$Z; k <- ncol(y); C <- pair_rows(k)
  f <- if (a$structure == "pooled" || k < 3) one_variance(y, Z) else if (anyNA(y)) by_lme4(y, Z, d) else two_squares(y, Z, d)
  f <- floored(f, y, x$step); q <- qt(1 - alpha, f$df) * f$se; wide <- qt(1 - alpha / 2 / nrow(C), f$df) * f$se
  list(table = data.frame(estimate = f$estimate, low = f$estimate - q, high = f$estimate + q, joint_low = f$estimate - wide,
                          joint_high = f$estimate + wide), how = paste(a$structure, "scatter, as declared"))
}

one_variance <- function(y, Z) { # least squares within containers, one variance
  p <- linked_parts(y, Z); C <- pair_rows(p$k); rest <- sapply(seq_len(p$n), function(i) {
    r <- p$M[[i]] %*% (p$y0[i, ] - ifelse(p$ok[i, ], drop(p$X[[i]] %*% p$mu), 0)); sum(r^2) })
  df <- sum(pmax(rowSums(p$ok) - 1, 0)) - ncol(Z) * (p$k - 1)
  out <- t(apply(C, 1, function(r) { load <- as.vector(outer(r, p$at)); c(sum(load * p$mu), drop(load %*% p$inv %*% load)) }))
  data.frame(estimate = out[, 1], se = sqrt(sum(rest) / df * out[, 2]), df = df, unit = out[, 2] / 2)
}

heights_of <- function(d) { h <- tapply(number(d$height), d$depth, mean); if (anyNA(h) || anyDuplicated(h)) seq_along(h) else drop(h) }

two_squares <- function(y, Z, d) { # own gradients, nothing lost: mean squares of the lines and of the rest
  k <- ncol(y); n <- nrow(y); q <- ncol(Z); h <- heights_of(d); C <- pair_rows(k); at <- colMeans(Z); inv <- solve(crossprod(Z))
  B <- qr.Q(qr(cbind(1, h - mean(h), diag(k))))[, 2:k]; s <- y %*% B; r <- s - Z %*% inv %*% crossprod(Z, s); w <- drop(at %*% inv %*% at)
  load <- C %*% B; m <- colSums(r^2); one <- w * load[, 1]^2 * m[1] / (n - q); df2 <- (n - q) * (k - 2)
  two <- w * rowSums(load[, -1, drop = FALSE]^2) * sum(m[-1]) / df2; v <- one + two
  data.frame(estimate = drop(load %*% t(at %*% inv %*% crossprod(Z, s))), se = sqrt(v), unit = w,
             df = 1 / reciprocal((one / v)^2 / (n - q) + (two / v)^2 / df2, one / v, 1 / (n - q), 1 / df2))
}

reciprocal <- function(usual, share, line, rest) # 1/df: what too few gradients promise too much is taken back
  if (line > 0.6) pmax(usual, line) else usual + 1.5 * share * (1 - share) * max(line - rest, 0)

by_lme4 <- function(y, Z, d) { # own gradients, readings lost: restricted likelihood, Kenward and Roger
  k <- ncol(y); n <- nrow(y); C <- pair_rows(k); ok <- as.vector(!is.na(y)); h <- heights_of(d); who <- rep(seq_len(n), k)[ok]
  e <- data.frame(y = as.vector(y)[ok], container = factor(who), depth = factor(rep(seq_len(k), each = n)[ok]),
                  line = (rep(h, each = n)[ok] - mean(h)) / sd(h))
  D <- model.matrix(~ depth, e)[, -1, drop = FALSE]; X <- do.call(cbind, lapply(seq_len(ncol(Z)), function(j) D * Z[who, j]))
  tight <- lme4::lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5), check.conv.singular = "ignore")
  fit <- lme4::lmer(y ~ 0 + container + X + (0 + line | container), e, REML = TRUE, control = tight); at <- colMeans(Z)
  L <- cbind(matrix(0, nrow(C), nlevels(e$container)), do.call(cbind, lapply(at, function(z) z * C[, -1, drop = FALSE])))
  adjusted <- pbkrtest::vcovAdj(fit); V <- as.matrix(adjusted); Phi <- as.matrix(vcov(fit)); p <- linked_parts(y, Z)
  W <- as.matrix(attr(adjusted, "W")); P <- as.matrix(attr(adjusted, "P")[[1]]); s2 <- stats::sigma(fit)^2
  w <- tapply(e$line, e$container, function(u) sum((u - mean(u))^2)); w <- mean(w[table(e$container) > 1])
  line <- s2 + w * as.numeric(lme4::VarCorr(fit)[[1]]); spread <- drop(c(w, 1) %*% W %*% c(w, 1)); v <- diag(L %*% Phi %*% t(L))
  share <- pmin(pmax(-diag(L %*% Phi %*% P %*% Phi %*% t(L)) / w * line / v, 0), 1)
  usual <- 1 / sapply(seq_len(nrow(L)), function(i) pbkrtest::Lb_ddf(L[i, ], vcov(fit), adjusted))
  unit <- apply(C, 1, function(r) { load <- as.vector(outer(r, p$at)); drop(load %*% p$inv %*% load) }) / 2
  data.frame(estimate = drop(L %*% lme4::fixef(fit)), se = sqrt(pmax(diag(L %*% V %*% t(L)), v)), unit = unit,
             df = 1 / reciprocal(usual, share, spread / (2 * line^2), W[2, 2] / (2 * s2^2)))
}

# ---- the word: what the intervals of all pairs and the declared margin allow

words_for <- function(a, d, got) {
  # "stratified" is charged for all pairs together: beyond by the single interval it may be, by the joint one it must be
  level <- mean(tapply(number(ifelse(d$qualifier == "", d$value, d$limit)), d$depth, mean))
  edge <- if (!a$log) a$margin else if (a$road == "one" && !a$ratio) a$margin / 100 * level else log1p(a$margin / 100)
  beyond <- function(low, high) any(low > edge | high < -edge); t <- got$table
  whole <- length(levels(d$depth)) == length(depths) # a declared depth without a value leaves it open
  within <- whole && all(t$low > -edge & t$high < edge)
  must <- got$how != "proven bounds" && whole && beyond(t$joint_low, t$joint_high)
  c(if (within) "homogeneous", if (beyond(t$low, t$high)) "stratified", if (!within && !must) "inconclusive")
}

# ---- each verdict beside the kit's

verdicts <- table_of("study/report/06-verdict/verdicts.csv")
worst <- 0; count <- 0
for (a in analytes) {
  v <- verdicts[verdicts$analyte == a$key, ]
  d <- rows_of(a); inside <- sum(d[["entered the fit"]] == "yes"); limits <- sum(d[["entered the fit"]] == "as a limit")
  same <- selected(a) == nrow(d)
  cat(sprintf("\n%s: %s. %d values, %d limits entered; by the plan and the tidy table %d rows belong here%s\n", a$key, v$verdict,
              inside, limits, selected(a), if (same) "" else ", which is NOT what the kit lists"))
  if (!same) stop(a$key, ": rows were left out or added")
  if (a$road == "side") { cat("  a one-sided margin, each zone against its mixed container: not worked out by this script\n"); next }
  if (a$road == "none") { cat("  no interval: this analyte was not judged by one\n"); next }
  got <- switch(a$road, many = many(a, d), one = one(a, d), declared = declared(a, d))
  present <- levels(d$depth); C <- pair_rows(length(present))
  labels <- apply(C, 1, function(r) paste(present[r == 1], "-", present[r == -1]))
  level <- got$level[if (v$verdict == "homogeneous") 1 else 2] # one container: per cent of its own level, at the worst of limits
  shown <- function(x) if (!a$log) x else if (v$unit == "times") exp(x) else if (a$road == "one" && !a$ratio) {
    100 * x / level } else 100 * expm1(x)
  t <- got$table[labels == v[["deciding pair"]], ]; joint <- number(v[["level, %"]]) > 100 * (1 - 2 * alpha) + 1e-9
  mine <- shown(c(t$estimate, if (joint) t$joint_low else t$low, if (joint) t$joint_high else t$high))
  kit <- number(c(v$difference, v$low, v$high))
  cat(sprintf("  %s, %s, %s %% interval\n    R    %.9g (%.9g to %.9g) %s\n    kit  %.9g (%.9g to %.9g) %s\n", v[["deciding pair"]],
              got$how, v[["level, %"]], mine[1], mine[2], mine[3], v$unit, kit[1], kit[2], kit[3], v$unit))
  bad <- !near(mine, kit) | is.na(mine) != is.na(kit); bad[is.na(bad)] <- is.na(kit[is.na(bad)]) != is.na(mine[is.na(bad)])
  if (any(bad)) stop(a$key, ": R and the kit differ")
  allowed <- words_for(a, d, got)
  if (!v$verdict %in% allowed) stop(a$key, ": the verdict says ", v$verdict, ", the intervals and the margin allow ",
                                    paste(allowed, collapse = " or "))
  gap <- abs(mine - kit) / pmax(abs(kit), 1e-3); worst <- max(worst, gap[is.finite(gap)], na.rm = TRUE); count <- count + 1
}
cat(sprintf("\n%d verdict intervals agree to 1e-6 and allow their words; the largest relative difference is %.1e.\n", count, worst))
