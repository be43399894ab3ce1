"""Small published data sets of mixed models, written out in full, and a prior that two of them are run with.

Dyestuff: Davies 1947 (also Box & Tiao 1973), yield of dyestuff, 6 batches of 5.
Dyestuff2: Box & Tiao 1973, constructed so that the batches differ less than chance would make them.
Penicillin: Davies & Goldsmith 1972, diameter of growth inhibition [mm], 24 plates by 6 samples.
Pastes: Davies & Goldsmith 1972, strength of paste, 10 batches of 3 casks, 2 assays each.
Cake: Cook 1938 (Cochran & Cox 1957), breaking angle [deg], 15 replicates by 3 recipes by 6 temperatures.
Sleep: Belenky et al. 2003, reaction time [ms], 18 subjects on days 0 to 9.
Rats: Gelfand, Hills, Racine-Poon & Smith 1990, weights of 30 young rats at 8, 15, 22, 29 and 36 days.
"""

import numpy as np
import pandas as pd

from fleet.statistics.bayes import LogPrior

DYESTUFF = """
1545 1440 1440 1520 1580
1540 1555 1490 1560 1495
1595 1550 1605 1510 1560
1445 1440 1595 1465 1545
1595 1630 1515 1635 1625
1520 1455 1450 1480 1445
"""

DYESTUFF2 = """
7.298 3.846 2.434 9.566 7.99
5.22 6.556 0.608 11.788 -0.892
0.11 10.386 13.434 5.51 8.166
2.212 4.852 7.092 9.288 4.98
0.282 9.014 4.458 9.446 7.198
1.722 4.782 8.106 0.758 3.758
"""

PENICILLIN = """
27 23 26 23 23 21  27 23 26 23 23 21  25 21 25 24 24 20  26 23 25 23 23 20
25 22 26 22 23 20  24 22 25 23 22 19  24 20 23 21 22 19  26 22 26 24 24 21
24 21 24 22 22 20  24 21 24 23 22 19  26 23 26 24 24 21  25 22 26 24 24 20
26 24 26 24 25 22  26 23 26 23 23 20  26 23 25 24 24 22  25 22 25 23 23 20
25 21 24 23 23 20  25 22 24 23 23 19  24 21 23 21 21 19  26 23 26 24 24 21
25 21 24 22 22 18  25 22 25 22 22 20  24 21 24 22 24 19  24 21 24 22 21 18
"""

PASTES = """
62.8 62.6 60.1 62.3 62.7 63.1
60 61.4 57.5 56.9 61.1 58.9
58.7 57.5 63.9 63.1 65.4 63.7
57.1 56.4 56.9 58.6 64.7 64.5
55.1 55.1 54.7 54.2 58.8 57.5
63.4 64.9 59.3 58.1 60.5 60
62.5 62.6 61 58.7 56.9 57.7
59.2 59.4 65.2 66 64.8 64.1
54.8 54.8 64 64 57.7 56.8
58.3 59.3 59.2 59.2 58.9 56.6
"""

CAKE = """
42 46 47 39 53 42  39 46 51 49 55 42  46 44 45 46 48 63
47 29 35 47 57 45  35 46 47 39 52 61  43 43 43 46 47 58
32 32 37 43 45 45  34 30 42 35 42 35  33 24 40 37 41 38
26 32 35 24 39 26  25 26 28 46 37 37  38 41 38 30 36 35
28 30 31 37 41 47  31 30 29 35 40 36  21 25 31 35 33 23
24 22 22 29 35 26  24 29 29 29 24 35  24 33 30 30 37 35
26 23 25 27 33 35  22 25 26 26 29 36  20 21 31 24 30 33
24 33 23 32 31 34  26 23 24 31 27 37  24 23 21 24 21 35
24 27 28 33 34 23  27 26 32 28 32 33  24 18 21 26 28 28
24 33 27 31 30 33  21 24 24 27 37 30  26 28 27 27 35 35
33 39 33 28 33 30  20 27 33 31 28 33  28 25 26 25 38 28
28 31 27 39 35 43  23 28 31 34 31 29  24 30 28 35 33 28
29 28 31 29 37 33  32 35 30 27 35 30  28 29 43 28 33 37
24 40 29 40 40 31  23 25 22 19 21 35  19 22 27 25 25 35
26 28 32 25 37 33  21 21 28 26 27 20  21 28 25 25 31 25
"""

SLEEP = """
249.56 258.7047 250.8006 321.4398 356.8519 414.6901 382.2038 290.1486 430.5853 466.3535
222.7339 205.2658 202.9778 204.707 207.7161 215.9618 213.6303 217.7272 224.2957 237.3142
199.0539 194.3322 234.32 232.8416 229.3074 220.4579 235.4208 255.7511 261.0125 247.5153
321.5426 300.4002 283.8565 285.133 285.7973 297.5855 280.2396 318.2613 305.3495 354.0487
287.6079 285 301.8206 320.1153 316.2773 293.3187 290.075 334.8177 293.7469 371.5811
234.8606 242.8118 272.9613 309.7688 317.4629 309.9976 454.1619 346.8311 330.3003 253.8644
283.8424 289.555 276.7693 299.8097 297.171 338.1665 332.0265 348.8399 333.36 362.0428
265.4731 276.2012 243.3647 254.6723 279.0244 284.1912 305.5248 331.5229 335.7469 377.299
241.6083 273.9472 254.4907 270.8021 251.4519 254.6362 245.4523 235.311 235.7541 237.2466
312.3666 313.8058 291.6112 346.1222 365.7324 391.8385 404.2601 416.6923 455.8643 458.9167
236.1032 230.3167 238.9256 254.922 250.7103 269.7744 281.5648 308.102 336.2806 351.6451
256.2968 243.4543 256.2046 255.5271 268.9165 329.7247 379.4445 362.9184 394.4872 389.0527
250.5265 300.0576 269.8939 280.5891 271.8274 304.6336 287.7466 266.5955 321.5418 347.5655
221.6771 298.1939 326.8785 346.8555 348.7402 352.8287 354.4266 360.4326 375.6406 388.5417
271.9235 268.4369 257.2424 277.6566 314.8222 317.2135 298.1353 348.1229 340.28 366.5131
225.264 234.5235 238.9008 240.473 267.5373 344.1937 281.1481 347.5855 365.163 372.2288
269.8804 272.4428 277.8989 281.7895 279.1705 284.512 259.2658 304.6306 350.7807 369.4692
269.4117 273.474 297.5968 310.6316 287.1726 329.6076 334.4818 343.2199 369.1417 364.1236
"""

RATS = """
151 199 246 283 320  145 199 249 293 354  147 214 263 312 328  155 200 237 272 297  135 188 230 280 323
159 210 252 298 331  141 189 231 275 305  159 201 248 297 338  177 236 285 350 376  134 182 220 260 296
160 208 261 313 352  143 188 220 273 314  154 200 244 289 325  171 221 270 326 358  163 216 242 281 312
160 207 248 288 324  142 187 234 280 316  156 203 243 283 317  157 212 259 307 336  152 203 246 286 321
154 205 253 298 334  139 190 225 267 302  146 191 229 272 302  157 211 250 285 323  132 185 237 286 331
160 207 257 303 345  169 216 261 295 333  157 205 248 289 316  137 180 219 258 291  153 200 244 286 324
"""

RAT_DAYS = np.array([8.0, 15.0, 22.0, 29.0, 36.0])


def numbers(text: str) -> np.ndarray:
    """All numbers of a text, in reading order."""
    return np.array(text.split(), dtype=float)


def one_way(text: str) -> pd.DataFrame:
    """Six batches of five: columns batch, y."""
    return pd.DataFrame({"batch": np.repeat(list("ABCDEF"), 5), "y": numbers(text)})


def penicillin() -> pd.DataFrame:
    """Columns plate, sample, y; 144 rows."""
    return pd.DataFrame(
        {
            "plate": np.repeat(list("abcdefghijklmnopqrstuvwx"), 6),
            "sample": np.tile(list("ABCDEF"), 24),
            "y": numbers(PENICILLIN),
        }
    )


def pastes() -> pd.DataFrame:
    """Columns batch, cask, y; 60 rows."""
    return pd.DataFrame(
        {
            "batch": np.repeat(list("ABCDEFGHIJ"), 6),
            "cask": np.tile(np.repeat(list("abc"), 2), 10),
            "y": numbers(PASTES),
        }
    )


def cake() -> pd.DataFrame:
    """Columns replicate, recipe, temperature, y; 270 rows."""
    return pd.DataFrame(
        {
            "replicate": np.repeat([str(i) for i in range(1, 16)], 18),
            "recipe": np.tile(np.repeat(list("ABC"), 6), 15),
            "temperature": np.tile(np.arange(175.0, 230.0, 10.0), 45),
            "y": numbers(CAKE),
        }
    )


def sleep() -> pd.DataFrame:
    """Columns subject, days, y; 180 rows."""
    return pd.DataFrame(
        {
            "subject": np.repeat([f"s{i:02d}" for i in range(1, 19)], 10),
            "days": np.tile(np.arange(10.0), 18),
            "y": numbers(SLEEP),
        }
    )


def rats() -> pd.DataFrame:
    """Columns rat, age (days after the middle one), y; 150 rows."""
    return pd.DataFrame(
        {
            "rat": np.repeat([f"r{i:02d}" for i in range(1, 31)], 5),
            "age": np.tile(RAT_DAYS - 22.0, 30),
            "y": numbers(RATS),
        }
    )


def gamma_precisions(shape: float, rate: float) -> LogPrior:
    """Independent Gamma priors on 1 / sd² of every sd and of sigma, as a density of the sds."""

    def log_prior(sds: np.ndarray, sigma: np.ndarray) -> np.ndarray:
        x = np.concatenate([sds, np.expand_dims(sigma, -1)], axis=-1)
        return np.asarray((-(2.0 * shape + 1.0) * np.log(x) - rate / x**2).sum(axis=-1))

    return log_prior
