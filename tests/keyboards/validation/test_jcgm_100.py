"""Uncertainties of the fit against the law of propagation of uncertainty.

JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in measurement (GUM), BIPM.
Clause 5.1.2, equation (10): u_c^2 = sum (df/dx_i)^2 u(x_i)^2 for independent inputs; clause 5.2.2, example: ten
resistors compared with the same standard, whose errors add up linearly and not in quadrature (1 ohm for ten times
0.1 ohm, not 0.32 ohm). The example's figures are from memory.

The derivatives are taken here numerically by central differences from the measurement function itself, so that
the closed forms in the program are held against something that does not know them.
"""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyboards.core import fit


def propagated(function, values, uncertainties):
    """Equation (10), each derivative by central differences over a thousandth of the value."""
    variance = 0.0
    for name, u in uncertainties.items():
        step = 1e-4 * max(abs(values[name]), 1e-2)
        up = function(**{**values, name: values[name] + step})
        down = function(**{**values, name: values[name] - step})
        variance += ((up - down) / (2 * step) * u) ** 2
    return math.sqrt(variance)


CASES = [
    # mortise, pin, cloth, clearance, compression, then u of mortise, pin, cloth, clearance, compression
    (5.5, 3.7, 1.0, 0.05, 0.15, 0.03, 0.012, 0.01, 0.0, 0.01),
    (5.5, 3.7, 1.0, 0.05, 0.15, 0.03, 0.012, 0.03, 0.01, 0.03),
    (6.1, 3.5, 1.4, 0.10, 0.30, 0.02, 0.004, 0.02, 0.02, 0.02),
    (4.9, 3.71, 0.7, 0.0 + 0.02, 0.05, 0.05, 0.020, 0.005, 0.01, 0.005),
    (5.5, 3.7, 1.0, 0.05, 0.55, 0.03, 0.012, 0.01, 0.0, 0.04),
]


@pytest.mark.parametrize("case", CASES)
def test_the_uncertainty_of_the_required_cloth_is_the_propagated_one(case):
    mortise, pin, _, clearance, compression, u_mortise, u_pin, _, u_clearance, u_compression = case
    values = {"mortise": mortise, "pin": pin, "clearance": clearance, "compression": compression}
    expected = propagated(
        fit.required_cloth,
        values,
        {"mortise": u_mortise, "pin": u_pin, "clearance": u_clearance, "compression": u_compression},
    )
    found = fit.required_cloth_uncertainty(
        **values, u_mortise=u_mortise, u_pin=u_pin, u_clearance=u_clearance, u_compression=u_compression
    )
    assert found == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("case", CASES)
def test_the_uncertainty_of_a_misfit_is_the_propagated_one(case):
    mortise, pin, cloth, clearance, compression, u_mortise, u_pin, u_cloth, _, u_compression = case
    values = {"mortise": mortise, "pin": pin, "cloth": cloth, "compression": compression, "clearance": clearance}
    expected = propagated(
        fit.misfit,
        values,
        {"mortise": u_mortise, "pin": u_pin, "cloth": u_cloth, "compression": u_compression},
    )
    found = fit.misfit_uncertainty(
        cloth=cloth,
        compression=compression,
        u_mortise=u_mortise,
        u_pin=u_pin,
        u_cloth=u_cloth,
        u_compression=u_compression,
    )
    assert found == pytest.approx(expected, rel=1e-6)


@given(
    st.integers(4500, 6500),
    st.integers(3200, 3900),
    st.integers(700, 1500),
    st.integers(1, 59),
    st.lists(st.integers(0, 60), min_size=4, max_size=4),
)
@settings(deadline=None)
def test_propagation_holds_for_any_mortise_pin_and_cloth(mortise, pin, cloth, percent, us):
    values = {
        "mortise": mortise / 1000,
        "pin": pin / 1000,
        "cloth": cloth / 1000,
        "compression": percent / 100,
        "clearance": 0.05,
    }
    names = ("mortise", "pin", "cloth", "compression")
    uncertainties = {name: u / 1000 for name, u in zip(names, us, strict=True)}
    found = fit.misfit_uncertainty(
        values["cloth"], values["compression"], **{f"u_{name}": u for name, u in uncertainties.items()}
    )
    assert found == pytest.approx(propagated(fit.misfit, values, uncertainties), rel=1e-5, abs=1e-12)


def test_the_required_cloth_of_the_reference_key_is_uncertain_by_0_0225():
    u = fit.required_cloth_uncertainty(5.5, 3.7, 0.05, 0.15, 0.03, 0.012, 0, 0.01)
    assert round(u, 4) == 0.0225


def test_two_layers_of_one_strip_err_together():
    # GUM 5.2.2: ten resistors of one standard, u = 10 x 0.1 ohm = 1 ohm; independent they would have 0.32 ohm.
    assert round(10 * 0.1, 2) == 1.0
    assert round(math.sqrt(10) * 0.1, 2) == 0.32
    # the same for two layers of cloth: the errors add linearly, 2 u and not sqrt(2) u
    two_layers = fit.misfit_uncertainty(cloth=1.0, compression=0, u_mortise=0, u_pin=0, u_cloth=0.1, u_compression=0)
    assert two_layers == pytest.approx(0.2)
    covariance = 0.1 * 0.1  # correlation 1 between the layers: equation (13)
    assert two_layers == pytest.approx(math.sqrt(0.1**2 + 0.1**2 + 2 * covariance))


@pytest.mark.parametrize(
    ("name", "value", "sensitivity"),
    [("u_mortise", 0.03, 1.0), ("u_pin", 0.012, 1.0), ("u_cloth", 0.01, 1.7), ("u_compression", 0.01, 2.0)],
)
def test_each_source_of_error_counts_with_its_sensitivity(name, value, sensitivity):
    # GUM 5.1.3: the sensitivity coefficients of m - p - 2(1-c)t at c = 0.15, t = 1.0
    none = dict.fromkeys(("u_mortise", "u_pin", "u_cloth", "u_compression"), 0.0)
    u = fit.misfit_uncertainty(cloth=1.0, compression=0.15, **{**none, name: value})
    assert u == pytest.approx(sensitivity * value)
