// The shape of mean cycles, drawn from their harmonics, several at a time: crests, flat spans, slopes.
#include <math.h>

#include "kernels.hpp"
#include "turns.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

using V = Lanes<float>;
constexpr int W = WIDTH<float>;
constexpr double PI = 3.14159265358979323846;

LISTEN_INLINE double power_of(Table<const double> lines, int64_t k) {
    return lines[k][0] * lines[k][0] + lines[k][1] * lines[k][1];
}

// Lanczos' factors, sin(x) / x: C. Lanczos, Applied Analysis, 1956, sect. IV (from memory).
void fill_taper(int64_t length, Row<double> taper) {
    taper[0] = 1.0;
    for (int64_t k = 1; k < length; k++) {
        const double x = PI * (double)k / (double)length;
        taper[k] = sin(x) / x;
    }
}

// Whether the last quarter of harmonics falls as 1/k with more than ``jump`` of the first.
bool jumps(Table<const double> lines, int64_t length, double least_power, double jump) {
    if (length <= 8) return false;
    const int64_t tail = 3 * length / 4;
    double rest = 0.0;
    for (int64_t k = tail; k < length; k++) {
        const double power = power_of(lines, k);
        if (power >= least_power) rest += power;
    }
    return rest / (double)(length - tail) * (double)(length * length) > jump * jump * power_of(lines, 1);
}

// Spectra of a frame's mean cycle and of its slope a cycle, into one lane, from the loud harmonics and the first; the
// slope is tapered over the first one's factor, the cycle where it jumps.
void draw(Table<const double> lines, int64_t length, double least_power, bool tapered, Row<double> taper, int lane,
          Wave<float>* cycle, Wave<float>* slope) {
    for (int64_t k = 1; k < length; k++) {
        if (k > 1 && !(power_of(lines, k) >= least_power)) continue;
        const double re = lines[k][0], im = lines[k][1], plain = tapered ? taper[k] : 1.0;
        const double steep = 2.0 * PI * (double)k * taper[k] / taper[1];
        cycle[k].re[lane] = (float)(plain * re);
        cycle[k].im[lane] = (float)(plain * im);
        slope[k].re[lane] = (float)(-steep * im);
        slope[k].im[lane] = (float)(steep * re);
    }
}

struct Crest {
    V height, place, flat;
};

// The crest of one half of each cycle (sign 1 or -1), by a parabola through three points, and the part of the cycle
// above 98 % of it, straight from point to point.
Crest measure_half(const V* cycle, int64_t points, float sign) {
    V best = cycle[0] * sign, at = splat(0.0f);
    for (int64_t j = 1; j < points; j++) {
        const V here = cycle[j] * sign;
        at = where_at_most(here, best, at, splat((float)j));
        best = where_at_most(here, best, best, here);
    }
    Crest found = {best, at, splat(0.0f)};
    V limit = best;
    for (int i = 0; i < W; i++) {
        const int64_t top = (int64_t)at[i];
        const double a = (double)(sign * cycle[top > 0 ? top - 1 : points - 1][i]), b = (double)best[i];
        const double c = (double)(sign * cycle[top + 1 < points ? top + 1 : 0][i]), curve = a - 2.0 * b + c;
        const double shift = curve < 0.0 ? 0.5 * (a - c) / curve : 0.0, peak = b - 0.25 * (a - c) * shift;
        found.height[i] = (float)((double)sign * peak);
        found.place[i] = (float)(((double)top + shift) / (double)points);
        limit[i] = (float)(0.98 * peak - b);
    }
    // heights are counted from the highest point: what is near it is then exact to all digits
    const V none = splat(0.0f), one = splat(1.0f);
    V before = cycle[points - 1] * sign - best, whole_spans = none, parts = none;
    for (int64_t j = 0; j < points; j++) {
        const V here = cycle[j] * sign - best;
        const V top = where_at_most(here, before, before, here), bottom = where_at_most(here, before, here, before);
        const V inside = where_at_most(limit, bottom, one, none), touched = where_at_most(limit, top, one, none);
        const V crossed = touched - inside, rise = where_at_most(one, crossed, top - bottom, one);
        whole_spans = whole_spans + inside;
        parts = parts + crossed * (top - limit) / rise;
        before = here;
    }
    found.flat = (whole_spans + parts) * (1.0f / (float)points);
    return found;
}

void measure(const V* cycle, const V* slope, int64_t points, int64_t many, Table<double> out) {
    const Crest high = measure_half(cycle, points, 1.0f), low = measure_half(cycle, points, -1.0f);
    V up = splat(0.0f), down = up;
    for (int64_t j = 0; j < points; j++) {
        up = where_at_most(slope[j], up, up, slope[j]);
        down = where_at_most(down, slope[j], down, slope[j]);
    }
    for (int i = 0; i < (int)many; i++) {
        const float found[] = {high.height[i], low.height[i], high.flat[i],  low.flat[i],
                               up[i],          down[i],       high.place[i], low.place[i]};
        for (int64_t column = 0; column < 8; column++) out[i][column] = (double)found[column];
    }
}

}  // namespace

int64_t shape_room(int64_t points) { return Workplace<float>::length(points) + 2 * Workplace<float>::wave_length(points); }

void cycle_shapes(Cube<const double> amplitude, Ints rows, Ints limits, Doubles least_power, double jump,
                  int64_t points, Row<float> room, Row<double> taper, Table<double> out) {
    const int64_t bins = points / 2 + 1;
    const Workplace<float> place(points, room);
    Wave<float>*cycles = place.other + bins, *slopes = cycles + bins;
    int64_t held = -1;
    for (int64_t r = 0; r < rows.n; r += W) {
        const int64_t many = least((int64_t)W, rows.n - r);
        for (int64_t k = 0; k < bins; k++) cycles[k] = slopes[k] = {splat(0.0f), splat(0.0f)};
        for (int i = 0; i < (int)many; i++) {
            const int64_t row = rows[r + i];
            const Table<const double> lines = amplitude[row];
            const int64_t length = within(limits[row], 0, least(lines.rows, bins));
            if (length != held) fill_taper(length, taper);
            held = length;
            const bool tapered = jumps(lines, length, least_power[row], jump);
            draw(lines, length, least_power[row], tapered, taper, i, cycles, slopes);
        }
        const Wave<float>* cycle = rows_of(cycles, place.here, points / 2, place.turns, 0.5f);
        const Wave<float>* slope = rows_of(slopes, place.other, points / 2, place.turns, 0.5f);
        measure(&cycle->re, &slope->re, points, many, {out[r].data, many, out.columns});
    }
}

}  // namespace listen::LISTEN_LEVEL
