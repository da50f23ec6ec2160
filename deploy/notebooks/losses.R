# Reads a loss export and works its headline out again. Base R alone.
#
#   downweb loss --month 2026-06 --by press -o csv --out june.csv
#   Rscript losses.R june.csv
#
# The manifest beside the file says what was asked; the SHA-256 says that the file is the one it speaks of.

args <- commandArgs(trailingOnly = TRUE)
if (length(args) != 1) stop("usage: Rscript losses.R FILE.csv")
file <- args[1]

manifest <- paste(readLines(paste0(file, ".manifest.json"), encoding = "UTF-8"), collapse = "\n")
field <- function(name) sub(paste0('.*"', name, '": "?([^",\n]*).*'), "\\1", manifest)
sum_of <- function(file) sub(" .*", "", system2("sha256sum", shQuote(file), stdout = TRUE))
if (sum_of(file) != field("sha256")) stop("the file is not the one its manifest speaks of")

rows <- read.csv(file, stringsAsFactors = FALSE, 
                 colClasses = c(key = "character", share = "character", part_of = "character", view = "character", time_us = "numeric"))
if (nrow(rows) != as.integer(field("rows"))) stop("rows are missing")
rows <- rows[rows$view == "" & rows$part_of == "", ]           # leaves alone: no pieces, no other schemes

keys <- unique(rows$key)
for (key in keys) {
  x <- rows[rows$key == key, ]
  planned <- sum(x$time_us[x$leaf == "planned_busy_time"])
  valuable <- sum(x$time_us[x$leaf == "valuable_operating_time"])
  losses <- x[!(x$leaf %in% c("planned_busy_time", "valuable_operating_time")), ]
  # In whole microseconds the ladder closes exactly; doubles hold them exactly to 2^53.
  if (planned != valuable + sum(losses$time_us)) stop("the ladder of ", key, " does not close")
  share <- sum(losses$time_us[losses$share %in% c("cleaning", "dirt")])
  cat(sprintf("%s: OEE %.2f %%, maintenance %.2f points, of %.1f h planned\n",
              if (key == "") "all" else key, 100 * valuable / planned, 100 * share / planned, planned / 3.6e9))
}
