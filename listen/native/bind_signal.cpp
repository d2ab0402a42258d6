// Kernels of the rough pitch and of the hum, with what keeps each within its arrays.
#include "arrays.hpp"

namespace listen {

namespace {

void decimate(Floats x, Floats taps, int64_t step, Row<float> out) {
    require(taps.n == 64 && between(step, 1, LARGE), "decimate: 64 taps and a step of 1 or more are needed");
    require(out.n == 0 || (out.n <= LARGE && (out.n - 1) * step + taps.n <= x.n), "decimate: x is too short for out");
    chosen->decimate(x, taps, step, out);
}

void decimate_near(Floats x, Floats taps, int64_t step, Ints centres, int64_t reach, Row<float> out) {
    require(taps.n == 64 && between(step, 1, LARGE), "decimate_near: 64 taps and a step of 1 or more are needed");
    require(out.n == 0 || (out.n <= LARGE && (out.n - 1) * step + taps.n <= x.n),
            "decimate_near: x is too short for out");
    require(between(reach, 0, LARGE), "decimate_near: reach is negative or too large");
    chosen->decimate_near(x, taps, step, centres, reach, out);
}

void line_powers(Cube<const float> spectra, double scale, Table<float> out) {
    require(spectra.n == out.rows && spectra.rows == out.columns && spectra.columns == 2,
            "line_powers: spectra must be (n, bins, 2), out (n, bins)");
    chosen->line_powers(spectra, scale, out);
}

void take_windows(Floats x, Ints centres, Doubles window, Table<float> out) {
    require(out.rows == centres.n && out.columns == window.n && window.n > 0,
            "take_windows: out must have a row for each centre, as long as the window");
    chosen->take_windows(x, centres, window, out);
}

void window_powers(Doubles x, Ints starts, int64_t width, Row<double> out) {
    require(out.n == starts.n && between(width, 0, LARGE), "window_powers: out must be as long as starts, width >= 0");
    chosen->window_powers(x, starts, width, out);
}

double periodicity(Floats x, int64_t centre, int64_t lag, int64_t span) {
    require(between(lag, 0, LARGE) && between(span, 1, LARGE), "periodicity: lag or span is out of range");
    return chosen->periodicity(x, centre, lag, span);
}

void best_period(Floats x, int64_t centre, double period, Row<double> out) {
    require(out.n >= 2, "best_period: out must hold two values");
    chosen->best_period(x, centre, period, out);
}

void coarse_pitch(Table<const float> spectra0, Table<const float> spectra1, Table<const float> spectra2, Floats d0,
                  Floats d1, Floats d2, Table<const int64_t> hops, Doubles rates, int64_t size, Doubles edges,
                  double lowest, Table<double> peaks, Table<double> room, Table<double> out) {
    const int64_t n = hops.rows;
    require(spectra0.rows == n && spectra1.rows == n && spectra2.rows == n && out.rows == n && out.columns == 4 &&
                hops.columns == 3,
            "coarse_pitch: spectra, hops (n, 3) and out (n, 4) must have a row a hop");
    require(rates.n == 3 && edges.n == 3 && between(size, 1, LARGE), "coarse_pitch: three rates and edges are needed");
    require(peaks.columns == 3 && room.rows == 3 && room.columns == 17,
            "coarse_pitch: peaks must be (n, 3), room (3, 17)");
    chosen->coarse_pitch(spectra0, spectra1, spectra2, d0, d1, d2, hops, rates, size, edges, lowest, peaks, room, out);
}

void level_windows(Doubles rest, int64_t step, Doubles window, Table<double> out, Row<double> lost) {
    require(between(step, 0, LARGE) && window.n > 0 && out.columns >= window.n && lost.n == out.rows,
            "level_windows: out must have a row a window, at least as long as it, lost a value");
    require(out.rows == 0 || (out.rows <= LARGE && (out.rows - 1) * step + window.n <= rest.n),
            "level_windows: rest is too short for out");
    chosen->level_windows(rest, step, window, out, lost);
}

void limit_strays(Doubles values, double times, int64_t width, Row<double> out) {
    require(out.n == values.n && between(width, values.n > 0 ? 1 : 0, values.n),
            "limit_strays: width must be 1 or more, no more than there are values");
    const Room<double> sorted(width);
    chosen->limit_strays(values, times, sorted.all(), out);
}

// Whether ends cut bins into as many pieces as there are lines, and all bins lie within the spectrum.
bool cut(Ints bins, Ints ends, int64_t lines, int64_t most_bins, int64_t longest) {
    if (ends.n != lines + 1 || !between(ends[0], 0, bins.n)) return false;
    for (int64_t k = 0; k < lines; k++) {
        if (!between(ends[k + 1], ends[k], bins.n) || ends[k + 1] - ends[k] > longest) return false;
    }
    for (int64_t j = 0; j < bins.n; j++) {
        if (!between(bins[j], 0, most_bins - 1)) return false;
    }
    return true;
}

void line_levels(Cube<const double> spectra, double scale, Ints near_bins, Ints near_ends, Ints beside,
                 Ints beside_ends, Row<double> room, Cube<double> out) {
    require(spectra.columns == 2 && out.n == spectra.n && out.columns == 2,
            "line_levels: spectra must be (n, bins, 2), out (n, lines, 2)");
    require(cut(near_bins, near_ends, out.rows, spectra.rows, LARGE) &&
                cut(beside, beside_ends, out.rows, spectra.rows, room.n),
            "line_levels: bins lie outside of the spectra, or room is too small");
    chosen->line_levels(spectra, scale, near_bins, near_ends, beside, beside_ends, room, out);
}

}  // namespace

void define_signal(nb::module_& m) {
    define<true>(m, "decimate", decimate, "x", "taps", "step", "out");
    define<true>(m, "decimate_near", decimate_near, "x", "taps", "step", "centres", "reach", "out");
    define<false>(m, "line_powers", line_powers, "spectra", "scale", "out");
    define<true>(m, "take_windows", take_windows, "x", "centres", "window", "out");
    define<false>(m, "window_powers", window_powers, "x", "starts", "width", "out");
    define<false>(m, "periodicity", periodicity, "x", "centre", "lag", "span");
    define<false>(m, "best_period", best_period, "x", "centre", "period", "out");
    define<true>(m, "coarse_pitch", coarse_pitch, "spectra0", "spectra1", "spectra2", "d0", "d1", "d2", "hops", "rates",
                 "size", "edges", "lowest", "peaks", "room", "out");
    define<false>(m, "level_windows", level_windows, "rest", "step", "window", "out", "nan_share");
    define<true>(m, "limit_strays", limit_strays, "values", "times", "width", "out");
    define<true>(m, "line_levels", line_levels, "spectra", "scale", "near", "near_ends", "floor_bins", "floor_ends",
                 "room", "out");
}

}  // namespace listen
