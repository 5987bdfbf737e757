"""A column of soil that conducts heat: finite volumes, solved implicitly, so any step is stable.

The column is solved together with the air above it. `eliminate` reduces the whole column to one line,
skin = a + b air; the air balance uses that line; `substitute` then fills in the layers. Lists run from the deepest
layer up, the way the elimination runs.
"""

LAYERS = 20
COLUMN_M = 1.5
"""[m] a daily wave fades by e in 0.12 m, a fortnight's in 0.44 m: neither is felt at the bottom."""
FIRST_M = 0.015
EVEN_LAYERS = 5
"""The top layers are even, about an eighth of the daily damping depth [m]; below they grow by one ratio."""


def layer_thicknesses_m(first_m: float, total_m: float, layers: int) -> list[float]:
    """Return `layers` thicknesses [m], top first: even ones, then growing by one ratio to `total_m`."""
    growing, rest_m = layers - EVEN_LAYERS, total_m - EVEN_LAYERS * first_m
    low, high = 1.0, 3.0
    for _ in range(80):
        ratio = (low + high) / 2.0
        if first_m * sum(ratio**i for i in range(growing)) > rest_m:
            high = ratio
        else:
            low = ratio
    return [first_m] * EVEN_LAYERS + [first_m * low**i for i in range(growing)]


class SoilColumn:
    """One square metre of soil from the surface to 1.5 m.

    Parameters
    ----------
    conductivity_w_mk, heat_capacity_j_m3k
        [W/mK] and [J/m3K], the same at every depth; drying and freezing are left out.
    surface_c, deep_c
        [Cel] first guess at the surface (linear to the bottom) and the fixed temperature under the column.
    edge_w_m3k
        [W/m3K] sideways loss to the untouched ground beside a narrow bed.
    cable_depth_m
        [m] where `eliminate` puts its source, 0.03-1.4.

    Raises
    ------
    ValueError
        If the cable lies outside that range.
    """

    def __init__(
        self,
        conductivity_w_mk: float,
        heat_capacity_j_m3k: float,
        *,
        surface_c: float,
        deep_c: float,
        edge_w_m3k: float = 0.0,
        cable_depth_m: float = 0.1,
        first_m: float = FIRST_M,
        layers: int = LAYERS,
    ) -> None:
        thick = layer_thicknesses_m(first_m, COLUMN_M, layers)
        self._depths_m = [sum(thick[:i]) + dz / 2.0 for i, dz in enumerate(thick)][::-1]
        thick.reverse()
        self._capacity = [heat_capacity_j_m3k * dz for dz in thick]
        self._edge = [edge_w_m3k * dz for dz in thick]
        half = [dz / 2.0 / conductivity_w_mk for dz in thick]
        # _below[i] joins layer i to the one under it; the deepest is joined to the fixed deep temperature
        self._below = [1.0 / half[0]] + [1.0 / (half[i - 1] + half[i]) for i in range(1, layers)]
        self._skin_w_m2k = 1.0 / half[-1]
        self._deep_c = deep_c
        self.celsius = [surface_c + (deep_c - surface_c) * z / COLUMN_M for z in self._depths_m]
        self.skin_c = self.celsius[-1]
        if not 0.03 <= cable_depth_m <= 1.4:
            raise ValueError(f"cable_depth_m is {cable_depth_m}; it must lie within 0.03-1.4 m")
        self._cable_low, self._cable_high, self._cable_weight = self.place(cable_depth_m)
        self._seconds, self._ground_c = 0.0, surface_c
        self.factor(10.0, 0.0, 0.0)
        self.drive(deep_c, surface_c)

    def place(self, depth_m: float) -> tuple[int, int, float]:
        """Return two layer indices and the weight of the first, which interpolate `celsius` at a depth [m]."""
        depths = self._depths_m
        if depth_m >= depths[0]:
            return 0, 0, 1.0
        for low in range(len(depths) - 1):
            if depths[low] >= depth_m > depths[low + 1]:
                return low, low + 1, (depth_m - depths[low + 1]) / (depths[low] - depths[low + 1])
        return len(depths) - 1, len(depths) - 1, 1.0

    def at_c(self, depth_m: float) -> float:
        """Return the temperature [Cel] at a depth [m]: the skin at 0, linear between layer centres."""
        top_m = self._depths_m[-1]
        if depth_m < top_m:
            return self.skin_c + (self.celsius[-1] - self.skin_c) * depth_m / top_m
        low, high, weight = self.place(depth_m)
        return weight * self.celsius[low] + (1.0 - weight) * self.celsius[high]

    @property
    def cable_layer_c(self) -> float:
        """[Cel] soil at the depth of the cable, averaged over the bed."""
        weight = self._cable_weight
        return weight * self.celsius[self._cable_low] + (1.0 - weight) * self.celsius[self._cable_high]

    def factor(self, seconds: float, air_w_m2k: float, sky_w_m2k: float) -> None:
        """Prepare for steps of `seconds` [s] with these conductances [W/m2K] from the skin to air and sky."""
        if seconds != self._seconds:
            self._factor_below(seconds)
        self._sky_w_m2k = sky_w_m2k
        self._skin_sum = air_w_m2k + sky_w_m2k + self._skin_w_m2k
        self._to_top = self._skin_w_m2k / self._skin_sum
        coupled, top = self._below[-1], len(self._capacity) - 1
        known = self._inertia[-1] + self._edge[-1] + coupled
        pivot = 1.0 / (known + self._to_top * (air_w_m2k + sky_w_m2k) - coupled * self._over_below)
        self._pivot[-1] = pivot
        self._upwards[-1] = (top, self._inertia[-1] * pivot, coupled * pivot)
        self._beside[-1] = self._from_beside(top, pivot)
        self._base[-1] = self._beside[-1][0] * self._ground_c + self._beside[-1][1]
        over = self._to_top * air_w_m2k * pivot
        self._downwards[0] = (top, over)
        self.skin_per_air = (air_w_m2k + self._skin_w_m2k * over) / self._skin_sum

    def _factor_below(self, seconds: float) -> None:
        """Prepare the layers under the top one: what lies over the skin changes nothing there."""
        below = self._below
        self._seconds = seconds
        self._inertia = [c / seconds for c in self._capacity]
        self._pivot: list[float] = []
        self._upwards: list[tuple[int, float, float]] = []
        self._downwards: list[tuple[int, float]] = []
        self._beside: list[tuple[float, float]] = []
        over, coupled = 0.0, 0.0
        for layer, (inertia, edge) in enumerate(zip(self._inertia[:-1], self._edge, strict=False)):
            low, above = below[layer : layer + 2]
            pivot = 1.0 / (inertia + edge + low + above - coupled * over)
            over = above * pivot
            self._pivot.append(pivot)
            self._upwards.append((layer, inertia * pivot, coupled * pivot))
            self._downwards.append((layer, over))
            self._beside.append(self._from_beside(layer, pivot))
            coupled = above
        self._over_below = over
        # The top layer's places `factor` fills; the way back begins with it.
        self._pivot.append(0.0)
        self._upwards.append((0, 0.0, 0.0))
        self._downwards.append((0, 0.0))
        self._beside.append((0.0, 0.0))
        self._downwards.reverse()
        self._take_in_beside()

    def drive(self, sky_c: float, ground_c: float) -> None:
        """Set the sky [Cel] and the surface [Cel] of the untouched ground beside the bed (linear to the deep one)."""
        self._sky_flux = self._sky_w_m2k * sky_c
        self._ground_c = ground_c
        self._take_in_beside()

    def _from_beside(self, layer: int, pivot: float) -> tuple[float, float]:
        """Return what a layer takes in from beside and below: per [Cel] of the ground's surface, and in any case."""
        edge, share = self._edge[layer], self._depths_m[layer] / COLUMN_M
        below = 0.0 if layer else self._below[0]
        return edge * (1.0 - share) * pivot, (edge * share + below) * self._deep_c * pivot

    def _take_in_beside(self) -> None:
        ground_c = self._ground_c
        self._base = [per_c * ground_c + deep for per_c, deep in self._beside]
        self._terms = self._base.copy()

    def eliminate(self, surface_w_m2: float, cable_w_m2: float) -> float:
        """Take in heat [W/m2] absorbed at the surface and at the cable; return the skin [Cel] if the air were 0 Cel.

        Until `substitute` follows, `celsius` holds each layer as it were with 0 Cel in the layer above it.
        """
        terms, base, pivot, weight = self._terms, self._base, self._pivot, self._cable_weight
        low, high = self._cable_low, self._cable_high
        into_skin = surface_w_m2 + self._sky_flux
        terms[low] = base[low] + weight * cable_w_m2 * pivot[low]
        terms[high] = base[high] + (1.0 - weight) * cable_w_m2 * pivot[high]
        terms[-1] = base[-1] + self._to_top * into_skin * pivot[-1]
        celsius, value = self.celsius, 0.0
        for layer, kept, carry in self._upwards:
            celsius[layer] = value = kept * celsius[layer] + terms[layer] + carry * value
        self._skin_zero = (into_skin + self._skin_w_m2k * value) / self._skin_sum
        return self._skin_zero

    def substitute(self, air_c: float) -> None:
        """Finish the step `eliminate` began, now that the air [Cel] at its end is known."""
        celsius, value = self.celsius, air_c
        for layer, over in self._downwards:
            celsius[layer] = value = celsius[layer] + over * value
        self.skin_c = self._skin_zero + self.skin_per_air * air_c

    def content_j_m2(self) -> float:
        """Return [J/m2] held above 0 Cel."""
        return sum(c * t for c, t in zip(self._capacity, self.celsius, strict=True))

    def lost_w_m2(self) -> float:
        """Return [W/m2] leaving by the bottom and the edges, as the last step reckoned it."""
        deep_k = self._deep_c - self._ground_c
        ground_c = [self._ground_c + deep_k * z / COLUMN_M for z in self._depths_m]
        edges = zip(self._edge, self.celsius, ground_c, strict=True)
        return self._below[0] * (self.celsius[0] - self._deep_c) + sum(g * (t - s) for g, t, s in edges)
