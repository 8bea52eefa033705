"""The mixed model against published tables and against R.

"R" beside a number means: computed with R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2 and
emmeans 1.8.4-1 on the table typed here. Tables carry their original citation.
"""

import importlib.resources

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from comparison.mixed_model import Fit, fit
from comparison.multiplicity import dunnett_two

# ---------------------------------------------------------------- tables


def _machines() -> pd.DataFrame:
    """Productivity of six workers on three machines, three times each.

    Milliken and Johnson 1984, Analysis of Messy Data vol. 1, ch. 23 (as printed in Pinheiro and
    Bates 2000, Mixed-Effects Models in S and S-PLUS, section 1.3).
    """
    scores = """
        A 52 52.8 53.1 51.8 52.8 53.1 60 60.2 58.4 51.1 52.3 50.3 50.9 51.8 51.4 46.4 44.8 49.2
        B 62.1 62.6 64 59.7 60 59 68.6 65.8 69.7 63.2 62.8 62.2 64.8 65 65.4 43.7 44.2 43
        C 67.5 67.2 66.9 61.5 61.7 62.3 70.8 70.6 71 64.1 66.2 64 72.1 72 71.1 62 61.4 60.5
    """
    rows = [
        (machine, str(1 + i // 3), float(score))
        for machine, *line in map(str.split, scores.strip().splitlines())
        for i, score in enumerate(line)
    ]
    return pd.DataFrame(rows, columns=["machine", "worker", "score"])


def _machines_unbalanced() -> pd.DataFrame:
    """The same with ten rows deleted (Pinheiro and Bates 2000, section 1.3.3)."""
    deleted = [2, 3, 6, 8, 9, 12, 19, 20, 27, 33]  # row numbers from 1, in order of machine, worker
    return _machines().drop(index=[row - 1 for row in deleted]).reset_index(drop=True)


def _stools() -> pd.DataFrame:
    """Effort to rise from four types of stool, nine people (Wretenberg, Arborelius and Lindberg
    1993, Ergonomics 36:519, as printed in Pinheiro and Bates 2000, section 1.2)."""
    efforts = """
        12 15 12 10  10 14 13 12  7 14 13 9  7 11 10 9  8 11 8 7
        9 11 11 10  8 12 12 11  7 11 8 7  9 13 10 8
    """
    values = np.array(efforts.split(), dtype=float)
    names = [f"T{i % 4 + 1}" for i in range(36)]
    return pd.DataFrame(
        {"effort": values, "type": names, "person": [str(i // 4 + 1) for i in range(36)]}
    )


def _rails() -> pd.DataFrame:
    """Travel time in six rails (Devore 2000, Probability and Statistics, 5th ed., p. 427, as
    printed in Pinheiro and Bates 2000, section 1.1)."""
    travel = [55, 53, 54, 26, 37, 32, 78, 91, 85, 92, 100, 96, 49, 51, 50, 80, 85, 83]
    return pd.DataFrame({"travel": np.array(travel, float), "rail": np.repeat(list("ABCDEF"), 3)})


def _dyestuff() -> pd.DataFrame:
    """Yield of six batches (Davies and Goldsmith 1972, Statistical Methods in Research and
    Production, 4th ed., table 6.1)."""
    yields = """
        1545 1440 1440 1520 1580  1540 1555 1490 1560 1495  1595 1550 1605 1510 1560
        1445 1440 1595 1465 1545  1595 1630 1515 1635 1625  1520 1455 1450 1480 1445
    """
    values = np.array(yields.split(), dtype=float)
    return pd.DataFrame({"amount": values, "batch": np.repeat(list("ABCDEF"), 5)})


def _dyestuff_without_batch_effect() -> pd.DataFrame:
    """Simulated yields whose batch variance is estimated as zero (Box and Tiao 1973, Bayesian
    Inference in Statistical Analysis, table 5.1.4)."""
    yields = """
        7.298 3.846 2.434 9.566 7.99  5.22 6.556 0.608 11.788 -0.892
        0.11 10.386 13.434 5.51 8.166  2.212 4.852 7.092 9.288 4.98
        0.282 9.014 4.458 9.446 7.198  1.722 4.782 8.106 0.758 3.758
    """
    values = np.array(yields.split(), dtype=float)
    return pd.DataFrame({"amount": values, "batch": np.repeat(list("ABCDEF"), 5)})


def _shoes() -> pd.DataFrame:
    """Wear of two materials, one on each foot of ten boys (Box, Hunter and Hunter 1978, Statistics
    for Experimenters, table 4.3)."""
    a = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]
    b = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]
    boys = list("abcdefghij")
    return pd.DataFrame({"wear": a + b, "boy": boys * 2, "material": ["A"] * 10 + ["B"] * 10})


def _shoes_unbalanced() -> pd.DataFrame:
    """The same without boy a's A and boy b's B (Halekoh and Hojsgaard 2014, J Stat Softw 59(9))."""
    return _shoes().drop(index=[0, 11]).reset_index(drop=True)


def _sleep() -> pd.DataFrame:
    """Reaction time (ms) over ten days of short sleep, 18 people (Belenky et al. 2003, J Sleep Res
    12:1, the three-hour group, as used in Bates et al. 2015, J Stat Softw 67(1))."""
    times = """
    308 249.56 258.7047 250.8006 321.4398 356.8519 414.6901 382.2038 290.1486 430.5853 466.3535
    309 222.7339 205.2658 202.9778 204.707 207.7161 215.9618 213.6303 217.7272 224.2957 237.3142
    310 199.0539 194.3322 234.32 232.8416 229.3074 220.4579 235.4208 255.7511 261.0125 247.5153
    330 321.5426 300.4002 283.8565 285.133 285.7973 297.5855 280.2396 318.2613 305.3495 354.0487
    331 287.6079 285 301.8206 320.1153 316.2773 293.3187 290.075 334.8177 293.7469 371.5811
    332 234.8606 242.8118 272.9613 309.7688 317.4629 309.9976 454.1619 346.8311 330.3003 253.8644
    333 283.8424 289.555 276.7693 299.8097 297.171 338.1665 332.0265 348.8399 333.36 362.0428
    334 265.4731 276.2012 243.3647 254.6723 279.0244 284.1912 305.5248 331.5229 335.7469 377.299
    335 241.6083 273.9472 254.4907 270.8021 251.4519 254.6362 245.4523 235.311 235.7541 237.2466
    337 312.3666 313.8058 291.6112 346.1222 365.7324 391.8385 404.2601 416.6923 455.8643 458.9167
    349 236.1032 230.3167 238.9256 254.922 250.7103 269.7744 281.5648 308.102 336.2806 351.6451
    350 256.2968 243.4543 256.2046 255.5271 268.9165 329.7247 379.4445 362.9184 394.4872 389.0527
    351 250.5265 300.0576 269.8939 280.5891 271.8274 304.6336 287.7466 266.5955 321.5418 347.5655
    352 221.6771 298.1939 326.8785 346.8555 348.7402 352.8287 354.4266 360.4326 375.6406 388.5417
    369 271.9235 268.4369 257.2424 277.6566 314.8222 317.2135 298.1353 348.1229 340.28 366.5131
    370 225.264 234.5235 238.9008 240.473 267.5373 344.1937 281.1481 347.5855 365.163 372.2288
    371 269.8804 272.4428 277.8989 281.7895 279.1705 284.512 259.2658 304.6306 350.7807 369.4692
    372 269.4117 273.474 297.5968 310.6316 287.1726 329.6076 334.4818 343.2199 369.1417 364.1236
    """
    rows = [
        (person, float(day), float(value))
        for person, *line in map(str.split, times.strip().splitlines())
        for day, value in enumerate(line)
    ]
    return pd.DataFrame(rows, columns=["person", "days", "reaction"])


EXERCISES = ["elbow_flexion", "row", "chest_press", "knee_extension", "leg_press", "calf_raise"]


def _invented_study() -> pd.DataFrame:
    """Twelve invented participants, three conditions, six exercises; "-" is a missing cell."""
    values = """
        P01 none 4.5587 5.2865 4.1321 3.4083 3.6897 4.3988
        P01 low 3.1506 3.8881 3.0307 2.5791 2.8710 3.8631
        P01 target 4.0071 4.3381 3.2374 3.1592 3.2597 3.6555
        P02 none 3.5189 3.7822 2.0295 2.3364 2.0610 -
        P02 low - 3.0271 - 2.3886 2.6523 3.3891
        P02 target 2.0101 2.3080 2.5335 - 1.6103 3.4221
        P03 none 3.4528 4.2698 3.2579 2.8521 2.7704 -
        P03 low 4.1496 - 4.7524 3.1657 2.8924 4.1846
        P03 target 3.4801 3.7033 2.2160 3.0896 2.8032 4.2002
        P04 none 4.9394 4.4693 4.5289 4.3699 3.6492 5.3414
        P04 low 4.9170 5.8275 5.0610 4.6139 4.2781 5.4947
        P04 target 4.8442 5.0430 3.9374 3.6183 3.5697 4.7222
        P05 none 2.6986 4.0512 2.2594 1.8040 1.6166 3.5439
        P05 low 3.4439 3.5494 2.6773 - 2.3977 -
        P05 target - - - - - -
        P06 none 2.2871 3.6302 - 2.0066 2.4307 3.1634
        P06 low 3.2247 3.0631 2.8061 2.5488 2.2257 3.3512
        P06 target 1.9030 3.0559 1.5256 0.9511 1.2445 2.8388
        P07 none - 3.7902 3.1341 2.9910 2.2909 3.8088
        P07 low 3.0260 - 2.1875 2.3134 2.2291 3.4796
        P07 target 4.3320 - 2.5597 - 1.9672 2.8289
        P08 none 4.1018 5.8600 2.8917 3.3545 3.4352 4.9770
        P08 low - 4.9869 3.5283 3.4456 2.8522 4.0144
        P08 target 4.6912 4.5987 - - 3.5973 5.2205
        P09 none 3.1911 3.5519 2.5650 2.3064 2.3126 2.9767
        P09 low 3.5582 3.3358 2.8095 2.7072 2.0236 4.0018
        P09 target 2.6806 3.0999 3.1225 2.3700 1.6965 3.0133
        P10 none 4.6835 4.6728 4.4195 3.1473 2.9740 4.1589
        P10 low 3.9714 4.7020 3.0101 3.0275 3.0311 4.7223
        P10 target 3.3243 3.6960 2.3490 2.7939 3.0749 3.3390
        P11 none 3.4665 4.8296 3.1304 1.7679 3.2256 3.9472
        P11 low 3.6330 - 3.1739 2.5960 1.8617 3.2914
        P11 target 3.0305 3.3504 2.7238 2.4817 2.9960 3.4613
        P12 none 5.1687 5.7454 4.7195 4.2354 4.3395 5.5679
        P12 low 4.9279 4.6917 4.1976 4.0860 2.8347 4.3725
        P12 target 4.8664 5.3877 4.0293 4.2917 4.1239 -
    """
    rows = [
        (participant, condition, exercise, float(value))
        for participant, condition, *line in map(str.split, values.strip().splitlines())
        for exercise, value in zip(EXERCISES, line, strict=True)
        if value != "-"
    ]
    table = pd.DataFrame(rows, columns=["participant", "condition", "exercise", "y"])
    return table.assign(
        condition=pd.Categorical(table["condition"], ["none", "low", "target"]),
        exercise=pd.Categorical(table["exercise"], EXERCISES),
    )


# ---------------------------------------------------------------- what R finds

# per model: log likelihood (REML, ML); variances in the order of `random`, residual last; per
# coefficient estimate, then SE, df and p by Satterthwaite and SE, df and p by Kenward-Roger
NESTED = ["1 | worker", "1 | worker:machine"]
MODELS = {
    "machines, worker x machine": {
        "table": _machines,
        "fixed": "score ~ machine",
        "random": NESTED,
        "log_likelihood": (-107.843784, -112.6347235),
        "variances": [22.85844895, 13.90945602, 0.9246296237],
        "coefficients": [
            (
                52.35555556,
                2.485830339,
                8.521696041,
                1.198215484e-08,
                2.485830339,
                8.521697797,
                1.198212226e-08,
            ),
            (
                7.966666667,
                2.176975417,
                10.00000084,
                0.004392631346,
                2.176975417,
                10,
                0.004392631955,
            ),
            (
                13.91666667,
                2.176975417,
                10.00000084,
                7.906478327e-05,
                2.176975417,
                10,
                7.906481303e-05,
            ),
        ],
        "joint": {
            "machine": {
                "satterthwaite": (20.57608407, 2, 10.00000085, 0.0002855483231),
                "kenward-roger": (20.57608407, 2, 10, 0.0002855484238),
            },
        },
    },
    "machines, rows missing": {
        "table": _machines_unbalanced,
        "fixed": "score ~ machine",
        "random": NESTED,
        "log_likelihood": (-90.93574971, -95.75300462),
        "variances": [22.45578438, 14.23398971, 0.8708686443],
        "coefficients": [
            (
                52.35400009,
                2.490615417,
                8.720001376,
                8.972279258e-09,
                2.490672644,
                8.710205376,
                9.110043672e-09,
            ),
            (
                7.962445335,
                2.214697264,
                10.19808073,
                0.00473601033,
                2.214826249,
                10.08349102,
                0.004823505547,
            ),
            (
                13.91822213,
                2.209354575,
                10.10280273,
                8.519644678e-05,
                2.209419086,
                9.988904016,
                8.957892503e-05,
            ),
        ],
        "joint": {
            "machine": {
                "satterthwaite": (19.96529376, 2, 10.11212376, 0.000308015686),
                "kenward-roger": (19.9639305, 2, 9.998171249, 0.0003225567964),
            },
        },
    },
    "machines, workers only": {
        "table": _machines,
        "fixed": "score ~ machine",
        "random": ["1 | worker"],
        "log_likelihood": (-143.439101, -146.8516279),
        "variances": [26.48699801, 9.996014508],
        "coefficients": [
            (
                52.35555556,
                2.229312407,
                5.833185752,
                5.328291861e-07,
                2.229312407,
                5.833185626,
                5.32829312e-07,
            ),
            (
                7.966666667,
                1.053882479,
                45.99999996,
                1.329432028e-09,
                1.053882479,
                46,
                1.329432021e-09,
            ),
            (
                13.91666667,
                1.053882479,
                45.99999996,
                2.933231568e-17,
                1.053882479,
                46,
                2.933231525e-17,
            ),
        ],
        "joint": {
            "machine": {
                "satterthwaite": (87.79815855, 2, 45.99999996, 1.974657395e-16),
                "kenward-roger": (87.79815855, 2, 46, 1.974657366e-16),
            },
        },
    },
    "stools": {
        "table": _stools,
        "fixed": "effort ~ type",
        "random": ["1 | person"],
        "log_likelihood": (-60.56539435, -61.0722187),
        "variances": [1.775462948, 1.210648151],
        "coefficients": [
            (
                8.555555556,
                0.5760122586,
                15.52980845,
                1.362122021e-10,
                0.5760122586,
                15.52980832,
                1.362122185e-10,
            ),
            (
                3.888888889,
                0.5186838367,
                23.99999997,
                9.753420774e-08,
                0.5186838367,
                24,
                9.75342069e-08,
            ),
            (
                2.222222222,
                0.5186838367,
                23.99999997,
                0.0002562927279,
                0.5186838367,
                24,
                0.0002562927273,
            ),
            (0.6666666667, 0.5186838367, 23.99999997, 0.2109511906, 0.5186838367, 24, 0.2109511906),
        ],
        "joint": {
            "type": {
                "satterthwaite": (22.35564048, 3, 23.99999997, 3.934563926e-07),
                "kenward-roger": (22.35564048, 3, 24, 3.93456389e-07),
            },
        },
    },
    "rails": {
        "table": _rails,
        "fixed": "travel ~ 1",
        "random": ["1 | rail"],
        "log_likelihood": (-61.0885004, -64.28001847),
        "variances": [615.311112, 16.16666666],
        "coefficients": [
            (66.5, 10.17103732, 4.999999975, 0.001252845897, 10.17103732, 5, 0.001252845874),
        ],
        "joint": {},
    },
    "dyestuff": {
        "table": _dyestuff,
        "fixed": "amount ~ 1",
        "random": ["1 | batch"],
        "log_likelihood": (-159.8271384, -163.6635299),
        "variances": [1764.049949, 2451.250011],
        "coefficients": [
            (1527.5, 19.38341194, 5.000000147, 6.234472364e-09, 19.38341194, 5, 6.234475246e-09),
        ],
        "joint": {},
    },
    "dyestuff, zero variance": {
        "table": _dyestuff_without_batch_effect,
        "fixed": "amount ~ 1",
        "random": ["1 | batch"],
        "log_likelihood": (-80.91413891, -81.43651833),
        "variances": [0, 13.80630963],
        "coefficients": [
            (5.6656, 0.6783880312, 29, 3.318292749e-09, 0.6783880312, 5, 0.0004026832579),
        ],
        "joint": {},
    },
    "shoes": {
        "table": _shoes,
        "fixed": "wear ~ material",
        "random": ["1 | boy"],
        "log_likelihood": (-27.46861423, -26.90864944),
        "variances": [6.100888955, 0.07494444365],
        "coefficients": [
            (
                10.63,
                0.7858647083,
                9.109878511,
                2.445404042e-07,
                0.7858647083,
                9.109878653,
                2.445403662e-07,
            ),
            (0.41, 0.1224291172, 9.000000051, 0.008538780408, 0.1224291172, 9, 0.008538780476),
        ],
        "joint": {
            "material": {
                "satterthwaite": (11.21497417, 1, 9.000000051, 0.008538780408),
                "kenward-roger": (11.21497417, 1, 9, 0.008538780476),
            },
        },
    },
    "shoes, rows missing": {
        "table": _shoes_unbalanced,
        "fixed": "wear ~ material",
        "random": ["1 | boy"],
        "log_likelihood": (-26.79578638, -26.38852212),
        "variances": [6.299343913, 0.07997413925],
        "coefficients": [
            (
                10.67165659,
                0.7998245979,
                9.126958647,
                2.704734833e-07,
                0.7998320325,
                9.137944517,
                2.672943677e-07,
            ),
            (
                0.3460466663,
                0.1412878366,
                7.010863319,
                0.04410474117,
                0.1413988155,
                7.021904361,
                0.04417637619,
            ),
        ],
        "joint": {
            "material": {
                "satterthwaite": (5.998736544, 1, 7.010863319, 0.04410474117),
                "kenward-roger": (5.989323855, 1, 7.021904361, 0.04417637619),
            },
        },
    },
    "sleep, slopes": {
        "table": _sleep,
        "fixed": "reaction ~ days",
        "random": ["days | person"],
        "log_likelihood": (-871.814136, -875.9696722),
        "variances": [612.0897483, 9.604335475, 35.07166234, 654.9410407],
        "coefficients": [
            (
                251.4051048,
                6.824555776,
                17.00000519,
                1.170874837e-17,
                6.824555776,
                17,
                1.170885362e-17,
            ),
            (
                10.46728596,
                1.545788932,
                16.99999903,
                3.26379002e-06,
                1.545788932,
                17,
                3.263789035e-06,
            ),
        ],
        "joint": {
            "days": {
                "satterthwaite": (45.85300377, 1, 16.99999903, 3.26379002e-06),
                "kenward-roger": (45.85300377, 1, 17, 3.263789035e-06),
            },
        },
    },
    "sleep, independent slopes": {
        "table": _sleep,
        "fixed": "reaction ~ days",
        "random": ["1 | person", "0 + days | person"],
        "log_likelihood": (-871.8346468, -876.0016276),
        "variances": [627.5691167, 35.85820178, 653.5838049],
        "coefficients": [
            (
                251.4051048,
                6.885381507,
                18.15620221,
                1.893364388e-18,
                6.885381507,
                18.18747622,
                1.796026804e-18,
            ),
            (
                10.46728596,
                1.559565996,
                18.15620202,
                2.593946822e-06,
                1.559565996,
                18.18747622,
                2.570846528e-06,
            ),
        ],
        "joint": {
            "days": {
                "satterthwaite": (45.04645955, 1, 18.15620202, 2.593946822e-06),
                "kenward-roger": (45.04645955, 1, 18.18747622, 2.570846528e-06),
            },
        },
    },
    "study": {
        "table": _invented_study,
        "fixed": "y ~ condition + exercise",
        "random": ["1 | participant", "1 | participant:condition"],
        "log_likelihood": (-139.6966486, -128.8844783),
        "variances": [0.5001367642, 0.07934495618, 0.1553806524],
        "coefficients": [
            (
                3.849891313,
                0.2339968212,
                16.27486346,
                1.441993325e-11,
                0.2340078719,
                16.25982203,
                1.464724018e-11,
            ),
            (
                -0.1098060004,
                0.1341815578,
                21.00842083,
                0.4223492474,
                0.1341937428,
                20.94399362,
                0.4224186804,
            ),
            (
                -0.3678450219,
                0.1384853732,
                21.05974936,
                0.01475186043,
                0.1385810383,
                20.99512597,
                0.014835338,
            ),
            (
                0.4324678886,
                0.1002731594,
                153.6664222,
                2.869896747e-05,
                0.1003289473,
                153.5914484,
                2.89854798e-05,
            ),
            (
                -0.5315456978,
                0.09904744172,
                153.0379082,
                2.917418363e-07,
                0.09907984154,
                152.9612693,
                2.943081807e-07,
            ),
            (
                -0.8313044391,
                0.1003102758,
                153.8735093,
                5.324059804e-14,
                0.1003724058,
                153.7991262,
                5.497840507e-14,
            ),
            (
                -0.9464496664,
                0.09678114903,
                152.6942201,
                7.715083574e-18,
                0.09680138849,
                152.6166426,
                7.842974129e-18,
            ),
            (
                0.2476969055,
                0.1002786777,
                153.6328566,
                0.0146016517,
                0.100333419,
                153.5577719,
                0.01465513741,
            ),
        ],
        "joint": {
            "condition": {
                "satterthwaite": (3.666380573, 2, 21.10116499, 0.04299112937),
                "kenward-roger": (3.660567469, 2, 21.03661875, 0.04323331201),
            },
            "exercise": {
                "satterthwaite": (68.58105617, 5, 153.2242735, 2.419778978e-37),
                "kenward-roger": (68.54849264, 5, 153.1485588, 2.525442592e-37),
            },
        },
    },
    "study without sessions": {
        "table": _invented_study,
        "fixed": "y ~ condition * exercise",
        "random": ["1 | participant"],
        "log_likelihood": (-152.2577973, -134.9198684),
        "variances": [0.5238553361, 0.2089732685],
        "coefficients": [
            (
                3.785403844,
                0.2505260334,
                21.38562967,
                6.874821415e-13,
                0.2505285048,
                21.36717094,
                6.977494363e-13,
            ),
            (
                0.004286945793,
                0.2007266141,
                163.1016262,
                0.9829868708,
                0.2007375134,
                163.0915645,
                0.982987796,
            ),
            (
                -0.288195931,
                0.1956792475,
                163.1003116,
                0.1427327781,
                0.1956896348,
                163.0902488,
                0.1427539632,
            ),
            (
                0.7095211564,
                0.1911102328,
                163.038928,
                0.0002812058817,
                0.1911134727,
                163.0288123,
                0.0002812755757,
            ),
            (
                -0.4983038465,
                0.1954940261,
                163.0609015,
                0.01172763172,
                0.1954999081,
                163.0508047,
                0.0117301679,
            ),
            (
                -0.9037538436,
                0.1911102328,
                163.038928,
                4.8562315e-06,
                0.1911134727,
                163.0288123,
                4.858129506e-06,
            ),
            (
                -0.8857871769,
                0.1911102328,
                163.038928,
                7.275059087e-06,
                0.1911134727,
                163.0288123,
                7.277796574e-06,
            ),
            (
                0.3434359129,
                0.2007035171,
                163.0977476,
                0.08895260205,
                0.200713956,
                163.0876825,
                0.0889691868,
            ),
            (
                -0.4415426767,
                0.2858037752,
                163.1390154,
                0.124304332,
                0.2858256797,
                163.1289859,
                0.1243330911,
            ),
            (
                -0.4614161372,
                0.2771138048,
                163.0693171,
                0.09781728203,
                0.2771235156,
                163.0592276,
                0.09782906009,
            ),
            (
                0.02803882003,
                0.2797169554,
                163.0499791,
                0.9202769586,
                0.2797235471,
                163.0398729,
                0.9202788386,
            ),
            (
                -0.1839729121,
                0.2797019163,
                163.0480241,
                0.5116286692,
                0.2797081866,
                163.0379162,
                0.5116381786,
            ),
            (
                0.09329823956,
                0.2772959423,
                163.0904413,
                0.73695858,
                0.2773090895,
                163.08037,
                0.7369706113,
            ),
            (
                0.09682558254,
                0.2869662556,
                163.0996296,
                0.736240898,
                0.2869815099,
                163.0895662,
                0.7362544177,
            ),
            (
                -0.2247702791,
                0.2740803745,
                163.0593714,
                0.4133625938,
                0.2740883569,
                163.0492733,
                0.413376243,
            ),
            (
                0.04703263148,
                0.2729803305,
                163.0243901,
                0.8634208,
                0.2729825986,
                163.0142619,
                0.8634219369,
            ),
            (
                -0.1818096987,
                0.2844648849,
                163.1525751,
                0.5236354438,
                0.2844888927,
                163.1425573,
                0.5236704951,
            ),
            (
                -0.1259629837,
                0.2833947856,
                163.0674782,
                0.6572857698,
                0.2834044207,
                163.0573871,
                0.6572967065,
            ),
        ],
        "joint": {
            "condition": {
                "satterthwaite": (11.73411478, 2, 163.2118521, 1.732196062e-05),
                "kenward-roger": (11.72873306, 2, 163.2014574, 1.74044381e-05),
            },
            "exercise": {
                "satterthwaite": (50.08686618, 5, 163.0613224, 3.044708353e-31),
                "kenward-roger": (50.08440221, 5, 163.0512329, 3.056864776e-31),
            },
            "condition:exercise": {
                "satterthwaite": (0.9281766653, 10, 163.0714859, 0.5088982239),
                "kenward-roger": (0.9281162068, 10, 163.061385, 0.5089531872),
            },
        },
    },
}


@pytest.fixture(scope="module", params=MODELS)
def case(request: pytest.FixtureRequest) -> tuple[Fit, dict]:
    expected = MODELS[request.param]
    return fit(expected["table"](), expected["fixed"], expected["random"]), expected


def test_log_likelihood_and_variances_agree_with_r(case):
    model, expected = case
    assert model.log_likelihood == pytest.approx(expected["log_likelihood"][0], abs=1e-6)
    parts = model.variance_components()
    # lme4's optimiser stops at a relative distance of about 1e-6 from the optimum
    assert parts["variance"].to_numpy() == pytest.approx(expected["variances"], rel=5e-6, abs=1e-8)
    assert model.converged
    assert model.optimiser_agreement < 1e-6
    assert model.singular == (min(expected["variances"]) == 0)


def test_maximum_likelihood_agrees_with_r(case):
    _, expected = case
    model = fit(expected["table"](), expected["fixed"], expected["random"], reml=False)
    assert model.log_likelihood == pytest.approx(expected["log_likelihood"][1], abs=1e-6)


@pytest.mark.parametrize("method, first", [("satterthwaite", 1), ("kenward-roger", 4)])
def test_coefficients_and_their_tests_agree_with_r(case, method, first):
    model, expected = case
    found = model.coefficients(method=method)
    wanted = np.array(expected["coefficients"])
    assert found["estimate"].to_numpy() == pytest.approx(wanted[:, 0], rel=1e-6, abs=1e-8)
    assert found["se"].to_numpy() == pytest.approx(wanted[:, first], rel=1e-5)
    assert found["df"].to_numpy() == pytest.approx(wanted[:, first + 1], rel=1e-4)
    assert found["p"].to_numpy() == pytest.approx(wanted[:, first + 2], abs=1e-6)


@pytest.mark.parametrize("method", ["satterthwaite", "kenward-roger"])
def test_joint_tests_agree_with_r(case, method):
    model, expected = case
    for term, tests in expected["joint"].items():
        F, df_num, df_den, p = tests[method]
        found = model.joint_test(term, method=method).iloc[0]
        assert found["df_num"] == df_num
        assert found["F"] == pytest.approx(F, rel=1e-5)
        assert found["df_den"] == pytest.approx(df_den, rel=1e-4)
        assert found["p"] == pytest.approx(p, abs=1e-6)


# ---------------------------------------------------------------- printed and further values


def test_nested_fit_is_the_one_printed_by_pinheiro_and_bates():
    # Pinheiro and Bates 2000, section 1.3.2: SDs 4.78105, 3.729532, 0.9615771; REML -107.8438
    model = fit(_machines(), "score ~ machine", NESTED)
    assert model.variance_components()["sd"].to_numpy() == pytest.approx(
        [4.78105, 3.729532, 0.9615771], rel=5e-6
    )
    assert model.log_likelihood == pytest.approx(-107.8438, abs=5e-5)


def test_kenward_roger_is_the_one_printed_by_its_authors_in_r():
    # Halekoh and Hojsgaard 2014, J Stat Softw 59(9), shoes with two values left out:
    # F 5.9893 on 1 and 7.0219 df, p .04418; complete: F 11.215 on 1 and 9 df, p .008539
    found = fit(_shoes_unbalanced(), "wear ~ material", ["1 | boy"]).joint_test("material").iloc[0]
    assert round(found["F"], 4) == 5.9893
    assert round(found["df_den"], 4) == 7.0219
    assert round(found["p"], 5) == 0.04418
    found = fit(_shoes(), "wear ~ material", ["1 | boy"]).joint_test("material").iloc[0]
    assert (round(found["F"], 3), round(found["p"], 6)) == (11.215, 0.008539)


def test_a_zero_variance_lets_satterthwaite_jump_but_not_kenward_roger():
    # R: 29 and 5 df; five is right for six batches (balanced one-way layout)
    model = fit(_dyestuff_without_batch_effect(), "amount ~ 1", ["1 | batch"])
    assert model.singular
    assert model.coefficients()["df"].iloc[0] == pytest.approx(5, rel=1e-9)
    assert model.coefficients(method="satterthwaite")["df"].iloc[0] == pytest.approx(29, rel=1e-9)
    part = model.variance_components().iloc[0]
    assert part["variance"] == 0
    assert "no Wald interval" in part["note"]


def test_leaving_out_the_session_effect_doubles_the_certainty():
    # R: SE 1.053883 on 46 df instead of 2.176975 on 10 df
    honest = fit(_machines(), "score ~ machine", NESTED).coefficients()
    naive = fit(_machines(), "score ~ machine", ["1 | worker"]).coefficients()
    assert honest["se"][1] / naive["se"][1] == pytest.approx(2.176975 / 1.053883, rel=1e-6)
    assert (round(honest["df"][1], 6), round(naive["df"][1], 6)) == (10, 46)


def test_predicted_effects_agree_with_r():
    # R, ranef: sleep, slopes
    model = fit(_sleep(), "reaction ~ days", ["days | person"])
    effects = model.random_effects().set_index(["level", "effect"])["value"]
    assert effects["308", "Intercept"] == pytest.approx(2.258565500, rel=1e-5)
    assert effects["308", "days"] == pytest.approx(9.198971904, rel=1e-5)
    assert effects["309", "Intercept"] == pytest.approx(-40.398576925, rel=1e-5)
    total = model.fitted + model.residuals
    assert total.to_numpy() == pytest.approx(_sleep()["reaction"].to_numpy(), rel=1e-12)


# R, emmeans: contrasts with equal weights over the exercises in spite of missing cells;
# estimate, SE, df, p; rows low - none, target - none, target - low
STUDY_CONTRASTS = {
    ("y ~ condition + exercise", "sessions", "satterthwaite"): [
        (-0.109806000386, 0.134181557820, 21.0084208292, 0.422349247360),
        (-0.367845021932, 0.138485373163, 21.0597493592, 0.014751860433),
        (-0.258039021546, 0.138838750194, 21.2437837760, 0.077002218297),
    ],
    ("y ~ condition + exercise", "sessions", "kenward-roger"): [
        (-0.109806000386, 0.134193742824, 20.9439936172, 0.422418680429),
        (-0.367845021932, 0.138581038277, 20.9951259706, 0.014835337996),
        (-0.258039021546, 0.138930140723, 21.1786878836, 0.077225847769),
    ],
    ("y ~ condition * exercise", "no sessions", "satterthwaite"): [
        (-0.116843986691, 0.080027625041, 163.0515409904, 0.146201601588),
        (-0.392778234133, 0.082562783748, 163.3794733610, 4.28762975969e-06),
        (-0.275934247442, 0.083256602870, 163.2129144548, 0.001132002399),
    ],
    ("y ~ condition * exercise", "no sessions", "kenward-roger"): [
        (-0.116843986691, 0.080029571991, 163.0414361579, 0.146211471368),
        (-0.392778234133, 0.082580837914, 163.3696514587, 4.30724686266e-06),
        (-0.275934247442, 0.083266566021, 163.2029487050, 0.001133520524),
    ],
}


@pytest.mark.parametrize("key", STUDY_CONTRASTS, ids=" / ".join)
def test_condition_contrasts_weigh_every_exercise_equally_as_emmeans_does(key):
    fixed, sessions, method = key
    random = ["1 | participant"] + ["1 | participant:condition"] * (sessions == "sessions")
    model = fit(_invented_study(), fixed, random)
    found = model.contrasts("condition", method=method)
    wanted = np.array(STUDY_CONTRASTS[key])
    assert list(found["contrast"]) == ["low - none", "target - none", "target - low"]
    assert found["estimate"].to_numpy() == pytest.approx(wanted[:, 0], rel=1e-6)
    assert found["se"].to_numpy() == pytest.approx(wanted[:, 1], rel=1e-5)
    assert found["df"].to_numpy() == pytest.approx(wanted[:, 2], rel=1e-4)
    assert found["p"].to_numpy() == pytest.approx(wanted[:, 3], abs=1e-6)


def test_all_pairs_of_balanced_machines_get_tukeys_p():
    # in balanced data the exact adjustment of all pairs is Tukey's studentised range
    model = fit(_machines(), "score ~ machine", NESTED)
    found = model.contrasts("machine")
    adjusted = dunnett_two(found["t"], found["df"], model.contrast_correlations("machine"))
    tukey = stats.studentized_range.sf(np.abs(found["t"]) * np.sqrt(2), 3, 10)
    assert adjusted == pytest.approx(tukey, rel=1e-6)
    assert adjusted[0] == pytest.approx(0.0111408, abs=1e-6)


def _certified(name: str) -> tuple[pd.DataFrame, dict[str, float]]:
    """A data set of NIST's Statistical Reference Datasets (analysis of variance), which scipy
    carries, with its certified mean squares and F."""
    folder = importlib.resources.files("scipy.stats.tests.data.nist_anova")
    lines = (folder / f"{name}.dat").read_text(encoding="utf-8").splitlines()
    between, within = (
        next(line.split() for line in lines if line.startswith(start))
        for start in ("Between", "Within")
    )
    certified = {
        "between": float(between[-2]),
        "within": float(within[-1]),
        "F": float(between[-1]),
        "df": float(within[-3]),
    }
    rows = [line.split() for line in lines[60:] if line.strip()]
    table = pd.DataFrame([(level, float(value)) for level, value in rows], columns=["level", "y"])
    return table, certified


@pytest.mark.parametrize("name", ["SiRstv", "SmLs01", "SmLs02", "AtmWtAg"])
def test_variances_are_those_of_the_certified_mean_squares(name):
    # balanced, between above within: the residual is the mean square within, the variance of the
    # levels the difference of the mean squares over the replicates (Searle, Casella and McCulloch
    # 1992, Variance Components, section 3.6)
    table, certified = _certified(name)
    replicates = len(table) / table["level"].nunique()
    model = fit(table, "y ~ 1", ["1 | level"])
    parts = model.variance_components()["variance"]
    between = (certified["between"] - certified["within"]) / replicates
    assert parts.to_list() == pytest.approx([between, certified["within"]], rel=1e-5)
    assert model.coefficients()["df"][0] == pytest.approx(table["level"].nunique() - 1, rel=1e-4)


def test_beside_a_variance_of_zero_the_f_of_the_levels_is_the_certified_one():
    # the replicates are numbered without a meaning; their variance is estimated as zero, and what
    # is left is the one-way layout
    table, certified = _certified("SiRstv")
    numbered = table.assign(replicate=[f"r{n % 5}" for n in range(len(table))])
    model = fit(numbered, "y ~ level", ["1 | replicate"])
    assert model.singular
    found = model.joint_test("level", method="satterthwaite").iloc[0]
    assert found["F"] == pytest.approx(certified["F"], rel=1e-6)
    assert found["df_den"] == pytest.approx(certified["df"], rel=1e-4)


def _packaged(name: str) -> pd.DataFrame:
    folder = importlib.resources.files("statsmodels.regression.tests.results")
    return pd.read_csv(str(folder / name))


def test_pig_growth_agrees_with_the_r_values_in_statsmodels():
    # values that statsmodels' own tests quote from R lme4 (test_lme.py, test_dietox*)
    pigs = _packaged("dietox.csv")
    model = fit(pigs, "Weight ~ Time", ["1 | Pig"])
    assert model.coefficients()["estimate"].to_numpy() == pytest.approx(
        [15.723523, 6.942505], rel=1e-6
    )
    assert np.sqrt(np.diag(model.covariance(method="satterthwaite"))) == pytest.approx(
        [0.78805374, 0.03338727], rel=1e-6
    )
    assert model.log_likelihood == pytest.approx(-2404.775, abs=5e-4)
    slopes = fit(pigs, "Weight ~ Time", ["Time | Pig"])
    assert slopes.log_likelihood == pytest.approx(-2217.047, abs=5e-4)
    assert slopes.variance_components()["variance"].to_numpy() == pytest.approx(
        [19.4934552, 0.2938323, 0.4160620, 6.03745], rel=1e-4
    )
    assert fit(pigs, "Weight ~ Time", ["Time | Pig"], reml=False).log_likelihood == pytest.approx(
        -2215.753, abs=5e-4
    )


def test_casks_within_batches_agree_with_the_r_values_in_statsmodels():
    # values that statsmodels' own tests quote from R lme4 (test_lme.py, test_pastes_vcomp)
    model = fit(_packaged("pastes.csv"), "strength ~ 1", ["1 | batch/cask"])
    assert model.coefficients()["estimate"][0] == pytest.approx(60.0533, abs=5e-5)
    assert model.coefficients()["se"][0] == pytest.approx(0.6769, abs=5e-5)
    assert model.variance_components()["variance"][[0, 2]].to_numpy() == pytest.approx(
        [1.657, 0.678], abs=5e-4
    )
    assert model.residuals[:5].to_numpy() == pytest.approx(
        [0.17133538, -0.02866462, -1.08662875, 1.11337125, -0.12093607], rel=1e-4
    )


@pytest.mark.parametrize("number", range(12))
@pytest.mark.parametrize("independent", [False, True])
@pytest.mark.parametrize("reml", [False, True])
def test_random_designs_agree_with_the_r_values_in_statsmodels(number, independent, reml):
    # simulated tables and R lme4 results that statsmodels carries (lme_r_results.py), with up to
    # three correlated or independent random slopes; printed to seven digits, and no better than
    # lme4's optimiser of 2012 reached: our likelihood must be as high and never 1e-3 higher
    from statsmodels.regression.tests.results import lme_r_results as r

    table = _packaged(f"lme{number:02d}.csv")
    table["groups"] = table["groups"].astype(int)
    fixed = [c for c in table if c.startswith("exog_fe")]
    slopes = [c for c in table if c.startswith("exog_re")]
    if independent and len(slopes) == 1:
        independent = False  # the same model
    random = (
        [f"0 + {s} | groups" for s in slopes]
        if independent
        else [f"0 + {' + '.join(slopes)} | groups"]
    )
    model = fit(table, f"endog ~ 0 + {' + '.join(fixed)}", random, reml=reml)
    key = f"{'reml' if reml else 'ml'}_{'irf' if independent else 'drf'}_{number}"
    gain = model.log_likelihood - getattr(r, f"loglike_{key}")[0]
    assert -1e-4 < gain < 1e-3
    assert model.coefficients(method="satterthwaite")["estimate"].to_numpy() == pytest.approx(
        getattr(r, f"coef_{key}"), rel=2e-3, abs=2e-4
    )


def test_estimates_agree_with_statsmodels_best_of_several_optimisers():
    import warnings

    from statsmodels.regression.mixed_linear_model import MixedLM

    table = _invented_study()
    best = None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # an optimiser that gives up is why there are several
        for optimiser in ("powell", "lbfgs", "bfgs"):
            found = MixedLM.from_formula(
                "y ~ condition + exercise",
                groups="participant",
                re_formula="1",
                vc_formula={"session": "0 + C(condition)"},
                data=table,
            ).fit(method=optimiser)
            best = found if best is None or found.llf > best.llf else best
    model = fit(table, "y ~ condition + exercise", ["1 | participant", "1 | participant:condition"])
    assert model.log_likelihood == pytest.approx(best.llf, abs=1e-5)
    assert model.log_likelihood >= best.llf - 1e-8
    assert model.coefficients()["estimate"].to_numpy() == pytest.approx(
        best.fe_params.to_numpy(), abs=1e-5
    )
    assert model.sigma**2 == pytest.approx(best.scale, rel=1e-3)
