// Kernels of a frame's lines and of its shape, with what keeps each within its arrays.
#include "arrays.hpp"

namespace listen {

namespace {

void line_pitches(Block<const double> spectra, Doubles scale, Ints tops, Ints cycles, double apart,
                  Cube<double> amplitude, Table<double> turned, Row<int64_t> used, Table<double> sums,
                  Row<int64_t> far) {
    const int64_t n = spectra.n, few = turned.columns;
    require(spectra.m == 2 && spectra.columns == 2 && amplitude.n == n && amplitude.columns == 2 &&
                amplitude.rows <= spectra.rows,
            "line_pitches: spectra must be (2, n, bins, 2), amplitude (n, up to bins, 2)");
    require(scale.n == n && tops.n == n && cycles.n == n && used.n == n && sums.rows == n && sums.columns == 2,
            "line_pitches: scale, tops, cycles and used must have a value a frame, sums (n, 2)");
    require(turned.rows == n && between(few, 1, MOST_PITCH_LINES) && few < amplitude.rows && far.n == few,
            "line_pitches: turned must be (n, up to 32), far as long, amplitude have more lines");
    chosen->line_pitches(spectra, scale, tops, cycles, apart, amplitude, turned, used, sums, far);
}

bool is_amplitude(Cube<const double> amplitude, Ints limits) {
    return amplitude.columns == 2 && amplitude.rows >= 2 && limits.n == amplitude.n;
}

void loud_orders(Cube<const double> amplitude, Ints limits, Doubles least, Row<int64_t> out) {
    require(is_amplitude(amplitude, limits) && least.n == limits.n && out.n == limits.n,
            "loud_orders: amplitude must be (n, 2 or more, 2), the others have a value a row");
    chosen->loud_orders(amplitude, limits, least, out);
}

void high_orders(Cube<const double> amplitude, Ints limits, int64_t first, Table<double> out) {
    require(is_amplitude(amplitude, limits) && between(first, 0, LARGE) && out.rows == limits.n && out.columns == 2,
            "high_orders: amplitude must be (n, 2 or more, 2), out (n, 2)");
    chosen->high_orders(amplitude, limits, first, out);
}

void cycle_shapes(Cube<const double> amplitude, Ints rows, Ints limits, Doubles least, double jump, int64_t points,
                  Table<double> out) {
    require(is_amplitude(amplitude, limits) && least.n == limits.n,
            "cycle_shapes: amplitude must be (n, 2 or more, 2), limits and least have a value a row");
    require(is_length(points) && points >= 4 && out.rows == rows.n && out.columns == 8,
            "cycle_shapes: points must be an even product of 2, 3 and 5, out (rows, 8)");
    for (int64_t r = 0; r < rows.n; r++) {
        require(between(rows[r], 0, amplitude.n - 1), "cycle_shapes: there is no such row");
    }
    const Room<float> room(chosen->shape_room(points));
    const Room<double> taper(points / 2 + 1);
    chosen->cycle_shapes(amplitude, rows, limits, least, jump, points, room.all(), taper.all(), out);
}

}  // namespace

void define_lines(nb::module_& m) {
    define<false>(m, "line_pitches", line_pitches, "spectra", "scale", "tops", "cycles", "apart", "amplitude", "turned",
                  "used", "sums", "far");
    define<false>(m, "loud_orders", loud_orders, "amplitude", "limits", "least", "out");
    define<false>(m, "high_orders", high_orders, "amplitude", "limits", "first", "out");
    define<true>(m, "cycle_shapes", cycle_shapes, "amplitude", "rows", "limits", "least", "jump", "points", "out");
}

}  // namespace listen
