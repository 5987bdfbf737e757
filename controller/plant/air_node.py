"""The quick parts of an enclosure: air, cover, contents and heater case, solved together with the skin of the soil."""

from controller.plant.construction import AIR_J_M3K, Construction
from controller.plant.forcing import Forcing, cover_inside_w_m2k
from controller.plant.heat_source import case_j_k

CONTENTS_W_M2K = 16.0
"""[W/m2K] air to plants and frame per floor area: leaf area 2 at 8 W/m2K (engineering judgement)."""


class AirNode:
    """Four heat stores that hang on the air; `air_c`, `cover_c`, `contents_c`, `case_c` are [Cel]."""

    def __init__(self, construction: Construction, start_c: float) -> None:
        c = construction
        self.air_c = self.cover_c = self.contents_c = self.case_c = start_c
        self._inside_w_k = cover_inside_w_m2k(c) * c.cover_m2
        self._shared_w_k = CONTENTS_W_M2K * c.floor_m2
        self._floor_m2 = c.floor_m2
        self._stores_j_k = (
            AIR_J_M3K * c.volume_m3,
            c.cover_j_m2k * c.cover_m2,
            c.contents_j_m2k * c.floor_m2,
            case_j_k(c),
        )

    def bind(self, seconds: float, now: Forcing, blown_w_k: float, skin_per_air: float) -> None:
        """Prepare for steps of `seconds` [s]: `blown_w_k` [W/K] case to air, and the column's line for its skin."""
        inside, shared = self._inside_w_k, self._shared_w_k
        air, cover, contents, case = (store / seconds for store in self._stores_j_k)
        cover_sum, contents_sum, case_sum = cover + inside + now.cover_out_w_k, contents + shared, case + blown_w_k
        skin_w_k = now.soil_air_w_m2k * self._floor_m2
        total = air + now.leak_w_k + skin_w_k * (1.0 - skin_per_air) + inside * (1.0 - inside / cover_sum)
        total += shared * (1.0 - shared / contents_sum) + blown_w_k * (1.0 - blown_w_k / case_sum)
        air_in = now.leak_w_k * now.outside_c
        cover_in = now.cover_out_w_k * now.outside_c + now.cover_gain_w
        self._air = (air, air_in, skin_w_k, total)
        self._cover = (cover, cover_in, cover_sum)
        self._contents = (contents, now.contents_gain_w, contents_sum)
        self._case = (case, blown_w_k, case_sum)

    def solve(self, skin_zero_c: float, case_w: float) -> float:
        """Take one step with `case_w` [W] into the case; return the air [Cel]. Each other store is own = a + b air."""
        inside, shared = self._inside_w_k, self._shared_w_k
        air, air_in, skin_w_k, total = self._air
        cover, cover_in, cover_sum = self._cover
        contents, contents_in, contents_sum = self._contents
        case, blown, case_sum = self._case
        cover_zero = (cover * self.cover_c + cover_in) / cover_sum
        contents_zero = (contents * self.contents_c + contents_in) / contents_sum
        case_zero = (case * self.case_c + case_w) / case_sum
        gain = air * self.air_c + air_in + inside * cover_zero + shared * contents_zero + blown * case_zero
        air_c = self.air_c = (gain + skin_w_k * skin_zero_c) / total
        self.cover_c = cover_zero + inside / cover_sum * air_c
        self.contents_c = contents_zero + shared / contents_sum * air_c
        self.case_c = case_zero + blown / case_sum * air_c
        return air_c

    @property
    def nodes(self) -> tuple[float, float, float, float]:
        """[Cel] air, cover, contents, case."""
        return self.air_c, self.cover_c, self.contents_c, self.case_c

    @nodes.setter
    def nodes(self, celsius: tuple[float, float, float, float]) -> None:
        self.air_c, self.cover_c, self.contents_c, self.case_c = celsius

    def content_j(self) -> float:
        """Return [J] held above 0 Cel."""
        return sum(store * celsius for store, celsius in zip(self._stores_j_k, self.nodes, strict=True))
