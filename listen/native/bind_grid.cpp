// Kernels of the even grid of phase, with what keeps each within its arrays.
#include "arrays.hpp"

namespace listen {

namespace {

// Whether frames of so many points, centred there, lie within n points.
bool lie_within(int64_t centre, int64_t size, int64_t n) {
    return size <= n && between(centre, size / 2, n - size + size / 2);
}

bool is_lap(int64_t points, int64_t lap) { return points > 0 && between(lap, points, LARGE) && lap % points == 0; }

void grid_places(Doubles knots, Doubles turns, Doubles slopes, int64_t points, int64_t start, double origin,
                 Row<double> place, Row<double> dphi) {
    require(knots.n >= 2 && turns.n == knots.n && slopes.n == knots.n,
            "grid_places: two knots or more are needed, each with phase and slope");
    require(place.n == dphi.n && between(points, 1, LARGE) && between(start, -FAR, FAR),
            "grid_places: place and dphi must be equally long");
    chosen->grid_places(knots, turns, slopes, points, start, origin, place, dphi);
}

void interpolate(Floats x, Doubles place, double origin, Floats middle, Cube<const float> table, Table<int64_t> rows,
                 Row<float> shares, Row<float> twice, Row<float> out) {
    require(x.n >= 76 && out.n == place.n, "interpolate: x must hold 76 samples or more, out a value a place");
    require(middle.n == 64 && table.n > 0 && table.rows == 3 && table.columns == 16,
            "interpolate: middle must be (64,), table (places, 3, 16)");
    require(rows.rows == 2 && rows.columns > 0 && shares.n >= rows.columns && twice.n >= 3 * 30,
            "interpolate: rows must be (2, m), shares m long, twice 90 or longer");
    chosen->interpolate(x, place, origin, middle, table, rows, shares, twice, out);
}

void lay_points(Doubles knots, Doubles turns, Doubles slopes, int64_t points, int64_t start, Floats x, double origin,
                Floats middle, Cube<const float> table, Table<int64_t> rows, Row<float> shares, Row<float> twice,
                Row<double> place, Row<double> dphi, Row<float> y) {
    grid_places(knots, turns, slopes, points, start, 0.0, place, dphi);
    interpolate(x, {place.data, place.n}, origin, middle, table, rows, shares, twice, y);
}

void turn_table(int64_t size, Row<double> cosine, Row<double> sine) {
    require(size > 0 && cosine.n >= size && sine.n >= size, "turn_table: cosine and sine must hold size values");
    chosen->turn_table(size, cosine, sine);
}

void sum_cycles(Floats y, Doubles dphi, int64_t start, int64_t points, int64_t lap, Ints centres, Ints cycles,
                 Table<double> scratch, Table<double> folded, Table<double> tilted, Table<double> means) {
    const int64_t n = centres.n;
    require(dphi.n == y.n && is_lap(points, lap) && between(start, -FAR, FAR),
            "sum_cycles: dphi must be as long as y, lap a multiple of points");
    require(cycles.n == n && folded.rows == n && folded.columns == lap && tilted.rows == n && tilted.columns == lap &&
                means.rows == n && means.columns == 2 && scratch.rows == 2,
            "sum_cycles: folded and tilted must be (frames, lap), means (frames, 2), scratch (2, longest)");
    for (int64_t f = 0; f < n; f++) {
        require(between(cycles[f], 1, LARGE) && cycles[f] * points <= scratch.columns &&
                    lie_within(centres[f], cycles[f] * points, y.n),
                "sum_cycles: a frame lies outside of y, or scratch is too small");
    }
    chosen->sum_cycles(y, dphi, start, points, lap, centres, cycles, scratch, folded, tilted, means);
}

void leave(Floats y, int64_t start, Ints centres, Table<const float> tables, Doubles dc, Row<float> out) {
    require(out.n == y.n && between(start, -FAR, FAR), "leave: out must be as long as y");
    require(centres.n > 0 && tables.rows == centres.n && dc.n == centres.n && tables.columns > 0,
            "leave: tables and dc must have a row a frame");
    chosen->leave(y, start, centres, tables, dc, out);
}

// Frames of an even number of points, all of which a transform can take.
void interharmonic_lines(Floats r, int64_t points, int64_t cycles, Ints centres, Ints last, Ints first, int64_t high,
                   Table<double> out, Table<float> halves) {
    const int64_t n = centres.n;
    require(between(points, 1, LARGE) && between(cycles, 1, LARGE) && is_length(points * cycles),
            "interharmonic_lines: cycles * points must be an even product of 2, 3 and 5");
    require(last.n == n && first.n == n && out.rows == n && out.columns == 7,
            "interharmonic_lines: last and first must have a value a frame, out (frames, 7)");
    require(halves.rows == n && halves.columns % 2 == 0 && between(halves.columns, 0, LARGE),
            "interharmonic_lines: halves must be (frames, an even number)");
    for (int64_t f = 0; f < n; f++) {
        require(lie_within(centres[f], points * cycles, r.n), "interharmonic_lines: a frame lies outside of r");
    }
    const Room<float> room(chosen->interharmonic_room(points * cycles));
    const Room<int32_t> places(points * cycles / 2 + 2);
    chosen->interharmonic_lines(r, points, cycles, centres, last, first, high, room.all(), places.all(), out, halves);
}

void residual_histogram(Floats r, int64_t start, int64_t points, int64_t lap, Ints edges, Doubles crests, int64_t bins,
                   Table<float> scratch, Cube<float> out) {
    require(is_lap(points, lap) && between(start, -FAR, FAR) && between(bins, 1, LARGE),
            "residual_histogram: lap must be a multiple of points, bins positive");
    require(edges.n > 0 && crests.n == edges.n - 1 && out.n == edges.n - 1 && out.rows == 2 && out.columns == bins,
            "residual_histogram: out must be (frames, 2, bins), edges one more than crests");
    require(scratch.rows == 2 && scratch.columns >= lap, "residual_histogram: scratch must be (2, lap)");
    chosen->residual_histogram(r, start, points, lap, edges, crests, bins, scratch, out);
}

void gather_blocks(Floats r, Doubles place, int64_t first, int64_t last, double origin, int64_t block,
                   Table<double> low) {
    require(place.n == r.n && low.columns == 2 && between(block, 1, LARGE),
            "gather_blocks: place must be as long as r, low (blocks, 2)");
    chosen->gather_blocks(r, place, first, last, origin, block, low);
}

void subtract_mean_cycle(Floats y, Doubles place, int64_t start, int64_t points, int64_t lap, Ints centres,
              Table<const float> tables, Doubles dc, Ints edges, Doubles crests, int64_t bins, Table<float> scratch,
              double origin, int64_t block, Row<float> left, Table<double> low, Cube<float> folded) {
    require(edges.n > 0, "subtract_mean_cycle: edges are needed");
    leave(y, start, centres, tables, dc, left);
    const Floats rest = {left.data, left.n};
    gather_blocks(rest, place, edges[0], edges[edges.n - 1], origin, block, low);
    residual_histogram(rest, start, points, lap, edges, crests, bins, scratch, folded);
}

}  // namespace

void define_grid(nb::module_& m) {
    define<true>(m, "grid_places", grid_places, "knots", "turns", "slopes", "points", "start", "origin", "place",
                 "dphi");
    define<true>(m, "interpolate", interpolate, "x", "place", "origin", "middle", "table", "rows", "shares", "twice",
                 "out");
    define<true>(m, "lay_points", lay_points, "knots", "turns", "slopes", "points", "start", "x", "origin", "middle",
                 "table", "rows", "shares", "twice", "place", "dphi", "y");
    define<false>(m, "turn_table", turn_table, "size", "cosine", "sine");
    define<true>(m, "sum_cycles", sum_cycles, "y", "dphi", "start", "points", "lap", "centres", "cycles", "scratch",
                 "summed", "tilted", "means");
    define<false>(m, "leave", leave, "y", "start", "centres", "tables", "dc", "out");
    define<true>(m, "interharmonic_lines", interharmonic_lines, "r", "points", "cycles", "centres", "last", "first", "high", "out",
                 "halves");
    define<true>(m, "residual_histogram", residual_histogram, "r", "start", "points", "lap", "edges", "crests", "bins", "scratch",
                 "out");
    define<true>(m, "gather_blocks", gather_blocks, "r", "place", "first", "last", "origin", "block", "low");
    define<true>(m, "subtract_mean_cycle", subtract_mean_cycle, "y", "place", "start", "points", "lap", "centres", "tables", "dc", "edges",
                 "crests", "bins", "scratch", "origin", "block", "residual", "low", "histogram");
}

}  // namespace listen
