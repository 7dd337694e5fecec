"""Sixth cycle of a co-current column on another feed, at other temperatures and brine strengths: capacity_other_feed.csv."""
import phreeqc_column as column
def hard(s, w):
    return f""" temp {s.T}
 pH 7.2
 units mmol/kgw
 Ca {500/2/100.0869:.6f}
 Mg {500/2/100.0869:.6f}
 Na {100/22.98977:.6f}
 Alkalinity 6.0
 Cl 1 charge
 -water {w}"""
column.Column.hard = hard
for T, wt, dose in ((25, 16, 120), (5, 8, 200)):
    c = column.Column(10, T=T); c.exhausted()
    for _ in range(6):
        actual, _reg = c.regenerate(dose, wt=wt)
        curve = c.service(stop=17.1, max_bv=330)
    print(10, T, wt, actual, *column.capacity(curve, 17.1, feed=500.0), sep=',')
