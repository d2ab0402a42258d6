// Kernels of the phase and of its knots, with what keeps each within its arrays.
#include "arrays.hpp"

namespace listen {

namespace {

// A curve has a phase and a slope at each of two knots or more.
bool is_curve(Doubles samples, Doubles turns, Doubles slopes) {
    return samples.n >= 2 && turns.n == samples.n && slopes.n == samples.n;
}

void phase_samples(Doubles knots, Doubles turns, Doubles slopes, int64_t first, Row<double> dphi, Row<double> phase) {
    require(is_curve(knots, turns, slopes), "phase_samples: two knots or more are needed, each with phase and slope");
    require(dphi.n == phase.n && between(first, -FAR, FAR), "phase_samples: dphi and phase must be equally long");
    chosen->phase_samples(knots, turns, slopes, first, dphi, phase);
}

void short_frames(Doubles knots, Doubles turns, Doubles slopes, int64_t first, Doubles x, Doubles centres,
                  Doubles cycles, Table<double> out) {
    const int64_t n = centres.n;
    require(is_curve(knots, turns, slopes) && between(first, -FAR, FAR),
            "short_frames: two knots or more are needed, each with phase and slope");
    require(cycles.n == n && out.rows == n && out.columns == 4,
            "short_frames: out must be (frames, 4), centres and cycles as many");
    const Room<double> sums(5 * n);
    chosen->short_frames(knots, turns, slopes, first, x, centres, cycles, {sums.all().data, n, 5}, out);
}

int64_t place_knots(Doubles samples, Doubles turns, Doubles slopes, double spacing, double start, double stop,
                    Table<double> out) {
    require(is_curve(samples, turns, slopes), "place_knots: two knots or more are needed, each with phase and slope");
    require(out.columns == 3, "place_knots: out must be (n, 3)");
    return chosen->place_knots(samples, turns, slopes, spacing, start, stop, out);
}

void settle_knots(Table<const double> knots, Table<const double> sums, double order, Doubles smoother, double within,
                  Table<double> out) {
    const int64_t n = knots.rows;
    require(n >= 3 && knots.columns == 3 && sums.rows == n && sums.columns == 4 && out.rows == 7 && out.columns == n,
            "settle_knots: three knots (n, 3) or more are needed, sums (n, 4), out (7, n)");
    require(smoother.n % 2 == 1, "settle_knots: the smoother must have an odd number of weights");
    chosen->settle_knots(knots, sums, order, smoother, within, out);
}

void curve_points(Doubles samples, Doubles turns, Doubles slopes, Doubles places, Table<double> out) {
    require(is_curve(samples, turns, slopes), "curve_points: two knots or more are needed, each with phase and slope");
    require(out.rows == 2 && out.columns == places.n, "curve_points: out must be (2, places)");
    chosen->curve_points(samples, turns, slopes, places, out);
}

int64_t torn_places(Doubles values, int64_t side, int64_t gap, double least, double over_noise, Table<double> fits,
                    Table<double> out, Row<int64_t> found) {
    require(between(side, 2, LARGE) && between(gap, 0, LARGE), "torn_places: side must be 2 or more, gap 0 or more");
    require(fits.rows == 3 && fits.columns >= values.n && out.rows == 3 && found.n >= out.columns,
            "torn_places: fits must be (3, n), out (3, m), found m long");
    require(out.columns == 0 || out.columns <= values.n - 2 * (side + gap), "torn_places: values are too few for out");
    return chosen->torn_places(values, side, gap, least, over_noise, fits, out, found);
}

void lay_frames(Doubles samples, Doubles slopes, Doubles calm, Doubles centres, Doubles middle, Doubles slope,
                Doubles cycles, double bent, double low, double high, Table<double> out) {
    const int64_t n = centres.n;
    require(samples.n > 0 && slopes.n == samples.n && calm.n == samples.n,
            "lay_frames: samples, slopes and calm must be equally long");
    require(middle.n == n && slope.n == n && cycles.n == n && out.rows == 3 && out.columns == n,
            "lay_frames: middle, slope and cycles must have a value a row, out (3, rows)");
    chosen->lay_frames(samples, slopes, calm, centres, middle, slope, cycles, bent, low, high, out);
}

}  // namespace

void define_phase(nb::module_& m) {
    define<true>(m, "phase_samples", phase_samples, "knots", "turns", "slopes", "first", "dphi", "phase");
    define<true>(m, "short_frames", short_frames, "knots", "turns", "slopes", "first", "x", "centres", "cycles", "out");
    define<true>(m, "place_knots", place_knots, "samples", "turns", "slopes", "spacing", "start", "stop", "out");
    define<true>(m, "settle_knots", settle_knots, "knots", "sums", "order", "smoother", "within", "out");
    define<false>(m, "curve_points", curve_points, "samples", "turns", "slopes", "places", "out");
    define<false>(m, "torn_places", torn_places, "values", "side", "gap", "least", "over_noise", "fits", "out",
                  "found");
    define<true>(m, "lay_frames", lay_frames, "samples", "slopes", "calm", "centres", "middle", "slope", "cycles",
                 "bent", "low", "high", "out");
}

}  // namespace listen
