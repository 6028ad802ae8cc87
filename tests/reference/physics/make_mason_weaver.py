"""Makes mason_weaver.csv: the published eigenfunction series, term by term, in 50-digit decimals.

    c = exp(-z/a) / (a (1 - exp(-1/a)))
        + sum over m of 4 b k² / (b² + k²)² [(-1)^m exp(b (1 - z)) - exp(-b z)]
                        [cos k z - (b/k) sin k z] exp(-(a k² + 1/(4 a)) t)

with a = D/(v H), t = v time / H, b = 1/(2 a), k = m pi (Mason and Weaver 1924, Phys. Rev. 23, 412).
Run from this folder: python make_mason_weaver.py
"""

from decimal import Decimal as Dec
from decimal import getcontext
from math import pi

getcontext().prec = 50
PI = Dec("3.14159265358979323846264338327950288419716939937510")
CASES = (("0.1", "0.2"), ("0.1", "1.0"), ("1.0", "0.1"), ("1.0", "0.5"), ("5.0", "0.05"), ("0.02", "0.3"),
         ("0.02", "0.9"), ("100", "0.001"))
HEIGHTS = ((1, 20), (1, 6), (1, 2), (5, 6), (19, 20))


def sincos(x: Dec) -> tuple[Dec, Dec]:
    x = x % (2 * PI)
    term, s, c, n = Dec(1), Dec(0), Dec(0), 0
    while n < 20 or abs(term) > Dec(10) ** -48:
        if n % 2:
            s += term if n % 4 == 1 else -term
        else:
            c += term if n % 4 == 0 else -term
        n += 1
        term = term * x / n
    return s, c


def value(a: Dec, t: Dec, z: Dec) -> Dec:
    b = 1 / (2 * a)
    total = (-z / a).exp() / (a * (1 - (-1 / a).exp()))
    for m in range(1, 3001):
        k = m * PI
        decay = (-(a * k * k + 1 / (4 * a)) * t).exp()
        if m > 5 and decay < Dec(10) ** -40:
            break
        s, c = sincos(k * z)
        wave = (-1) ** m * (b * (1 - z)).exp() - (-b * z).exp()
        total += 4 * b * k * k / (b * b + k * k) ** 2 * wave * (c - b / k * s) * decay
    return total


def main() -> None:
    assert abs(float(PI) - pi) < 1e-15
    lines = ["# Do not edit: made by make_mason_weaver.py (Python decimal, 50 digits)", "alpha,tau,height,concentration"]
    for a, t in CASES:
        for up, down in HEIGHTS:
            lines.append(f"{a},{t},{up}/{down},{value(Dec(a), Dec(t), Dec(up) / Dec(down)):.12f}")
    with open("mason_weaver.csv", "w", encoding="utf-8", newline="\n") as file:
        file.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
