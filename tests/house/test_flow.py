"""Speed, friction and pressure against published tables (copied with their keys into tests/data/friction_check.csv)."""

import csv
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.house import flow
from analyzer.house.flow import KPA_PER_PSI, L_PER_GALLON, M_PER_FT
from tests.conftest import DATA

ROWS = list(csv.DictReader((DATA / "friction_check.csv").read_text(encoding="utf-8").splitlines()))
SIXTY_F = (60.0 - 32.0) / 1.8
STEEL_ROUGHNESS_MM = 0.00015 * M_PER_FT * 1000.0


def _rows(source):
    return [row for row in ROWS if row["source"] == source]


def _litres_and_bore(row):
    return float(row["flow_gpm"]) * L_PER_GALLON, float(row["id_in"]) * 25.4


def _head_m(pressure_kpa):
    return pressure_kpa * 1000.0 / (998.207 * 9.80665)  # cold water, as the tables are printed


def test_steel_speed_and_head_follow_the_hydraulic_institute_tables():
    """Hydraulic Institute data library, steel schedule 40, 60 F: speed within 0.33 %, head within 0.79 % in the
    reference's own check; 0.85 % here, where the viscosity comes from a correlation 0.6 % below the table's."""
    checked = 0
    for row in _rows("HI_EDB"):
        litres, bore = _litres_and_bore(row)
        speed = flow.velocity_m_per_s(litres, bore) / M_PER_FT
        assert speed == pytest.approx(float(row["velocity_ft_per_s_published"]), rel=0.0034), row
        loss = flow.friction_kpa_per_m(litres, bore, roughness_mm=STEEL_ROUGHNESS_MM, temperature_c=SIXTY_F)
        if "OUTLIER" in row["note"]:
            # the source prints 1.86 where its own formula gives 1.39: the reference says not to test against it
            assert _head_m(loss) * 100.0 == pytest.approx(1.39, rel=0.01)
            continue
        assert _head_m(loss) * 100.0 == pytest.approx(float(row["loss_ft_head_per_100ft_published"]), rel=0.0085), row
        checked += 1
    assert checked == 113


def test_hydraulic_institute_worked_example():
    # steel 1 in schedule 40 (bore 1.049 in), 10 gpm, 60 F: 3.71 ft/s and 6.86 ft per 100 ft, within 0.5 %
    litres, bore = 10.0 * L_PER_GALLON, 1.049 * 25.4
    assert flow.velocity_m_per_s(litres, bore) / M_PER_FT == pytest.approx(3.71, rel=0.005)
    loss = flow.friction_kpa_per_m(litres, bore, roughness_mm=STEEL_ROUGHNESS_MM, temperature_c=SIXTY_F)
    assert _head_m(loss) * 100.0 == pytest.approx(6.86, rel=0.005)


@pytest.mark.parametrize("type_, size, count", [("K", "1-1/4", 22), ("L", "3/4", 4)])
def test_copper_friction_near_the_published_table(type_, size, count):
    """irrigationtutorials.com copper table (Hazen and Williams, C 140). That law has no viscosity: over the table's speeds the
    friction by Colebrook runs from 16 % above it to 11 % below, and crosses it."""
    ratios = []
    for row in _rows("IRRTUT"):
        if row["type"] == type_ and row["nominal_size"] == size:
            loss = flow.friction_kpa_per_m(*_litres_and_bore(row))
            if loss is not None:  # between laminar and turbulent nothing is said
                ratios.append(loss / KPA_PER_PSI * M_PER_FT * 100.0 / float(row["loss_psi_per_100ft_published"]))
    assert len(ratios) == count
    assert 0.88 < min(ratios) < 1.0 < max(ratios) < 1.17


@pytest.mark.parametrize(
    "temperature, density, micro", [(20.0, 998.207, 1.0034), (25.0, 997.048, 0.8927), (60.0, 983.20, 0.4745)]
)
def test_water_properties(temperature, density, micro):
    # IAPWS values at 1 atm, from memory (20 C: 998.207 kg/m3, 1.0034e-6 m2/s)
    assert flow.density_kg_per_m3(temperature) == pytest.approx(density, abs=0.1)
    assert flow.kinematic_viscosity_m2_per_s(temperature) * 1e6 == pytest.approx(micro, rel=0.005)


def test_friction_factor_regimes():
    assert flow.friction_factor(1000.0, 0.01) == pytest.approx(0.064)  # Hagen-Poiseuille
    assert flow.friction_factor(3000.0, 0.0) is None
    # smooth pipe at Re 1e5 by Prandtl's law: 0.01799; fully rough at e/D 0.01 by von Karman: 1/(2 log10 370)^2
    assert flow.friction_factor(1e5, 0.0) == pytest.approx(0.01799, abs=2e-5)
    assert flow.friction_factor(1e12, 0.01) == pytest.approx((2.0 * math.log10(370.0)) ** -2, rel=1e-6)
    assert flow.friction_kpa_per_m(0.0, 14.0) == 0.0
    assert flow.friction_kpa_per_m(2.0, 14.0) is None  # Re about 2700


@given(reynolds=st.floats(4000.0, 1e8), rough=st.floats(0.0, 0.05))
def test_colebrook_near_the_published_explicit_form(reynolds, rough):
    """1/sqrt(f) = -2 log10(e/D/3.7 + 5.74/Re^0.9) (Hydraulic Institute): Swamee and Jain state 3 % below Re 5000 and e/D 0.05."""
    explicit = (-2.0 * math.log10(rough / 3.7 + 5.74 / reynolds**0.9)) ** -2
    assert flow.friction_factor(reynolds, rough) == pytest.approx(explicit, rel=0.04)


@pytest.mark.parametrize(
    "bore, wall, speed, psi_per_ft_s", [(13.843, 1.016, 1322.0, 58.0), (20.599, 0.8128, 1220.0, 54.0)]
)
def test_hammer(bore, wall, speed, psi_per_ft_s):
    # half-inch type L and three-quarter type M, computed in the reference from the Joukowsky and Korteweg relations
    assert flow.wave_speed_m_per_s(bore, wall) == pytest.approx(speed, abs=1.0)
    assert flow.hammer_kpa(M_PER_FT, bore, wall) / KPA_PER_PSI == pytest.approx(psi_per_ft_s, abs=0.5)


@pytest.mark.parametrize(
    "speed_ft_per_s, service, temperature, over",
    [
        # CDA Copper Tube Handbook as quoted: 8 ft/s cold, 5 hot to 140 F, 2 to 3 above
        (8.0, "cold", None, False),
        (8.1, "cold", None, True),
        (5.0, "hot", 60.0, False),
        (5.1, "hot", 60.0, True),
        (2.0, "hot", 61.0, False),
        (2.5, "hot", 61.0, None),  # inside the band
        (3.1, "hot", 61.0, True),
        (3.1, "hot", None, None),  # over if above 60 C, under if below
        (5.1, "hot", None, True),
        (6.0, None, None, None),
        (8.1, None, None, True),
        (1.9, None, None, False),
    ],
)
def test_velocity_limits_of_the_copper_handbook(speed_ft_per_s, service, temperature, over):
    assert flow.velocity_over_limit(speed_ft_per_s * M_PER_FT, service, temperature) is over


def test_practices_of_both_countries_are_told():
    cold = {entry.practice: entry.upper_m_per_s for entry in flow.velocity_limits("cold", None)}
    assert cold["US copper handbook"] == pytest.approx(2.44, abs=0.01)
    assert cold["UK practice, cold 10 to 20 C"] == 2.0
    assert cold["BS 6700 as quoted, 10 C"] == 3.0
    hot = {entry.practice: entry.upper_m_per_s for entry in flow.velocity_limits("hot", 55.0)}
    assert hot["US copper handbook"] == pytest.approx(1.52, abs=0.01)
    assert hot["UK practice, hot 50 to 60 C"] == 1.0
    hottest = [entry for entry in flow.velocity_limits("hot", 70.0) if entry.decides]
    assert [(round(e.lower_m_per_s, 2), round(e.upper_m_per_s, 2)) for e in hottest] == [(0.61, 0.91)]
    assert all(entry.source for service in ("cold", "hot") for entry in flow.velocity_limits(service, 50.0))
    assert flow.velocity_limits("hot", None) == ()


@pytest.mark.parametrize(
    "psi, over_code, over_working, under",
    # UPC 608.2: 80 psi; US EPA WaterSense: 45 to 60 psi; 40 to 60 psi: common practice, no source
    [
        (80.0, False, True, False),
        (80.5, True, True, False),
        (60.0, False, False, False),
        (61.0, False, True, False),
        (39.0, False, False, True),
    ],
)
def test_static_pressure(psi, over_code, over_working, under):
    reading = flow.static_pressure(psi * KPA_PER_PSI)
    assert (reading.over_code, reading.over_working_range, reading.under_working_range) == (
        over_code,
        over_working,
        under,
    )
    assert reading.code_limit_kpa == pytest.approx(552.0, abs=0.5)
    assert reading.working_range_kpa == pytest.approx((310.0, 414.0), abs=0.5)
    assert any("common practice, no source" in source for source in reading.sources)


def test_fixture_flow():
    # International Plumbing Code 2018, Table 604.3
    assert flow.fixture_flow_l_per_min("Shower") == pytest.approx(9.46, abs=0.01)
    assert flow.fixture_flow_l_per_min("kitchen sink") == pytest.approx(6.62, abs=0.01)
    assert flow.fixture_flow_l_per_min("the whole house") is None
