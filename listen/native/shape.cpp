// The shape of mean cycles: which harmonics are loud, the cycle drawn from them, its crests, flat spans and slopes.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr double PI = 3.14159265358979323846;

LISTEN_INLINE double power_of(Table<const double> lines, int64_t k) {
    return lines[k][0] * lines[k][0] + lines[k][1] * lines[k][1];
}

// Lanczos' factors, sin(x) / x.
void fill_taper(int64_t length, Row<double> taper) {
    taper[0] = 1.0;
    for (int64_t k = 1; k < length; k++) taper[k] = sin(PI * (double)k / (double)length) / (PI * (double)k / (double)length);
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

// The crest of one half, by a parabola through three points, and the part of the cycle above 98 % of it.
void measure_half(Floats row, int64_t at, float sign, double* crest, double* flat, double* place) {
    const int64_t points = row.n;
    const double a = (double)(sign * row[at > 0 ? at - 1 : points - 1]), b = (double)(sign * row[at]);
    const double c = (double)(sign * row[at + 1 < points ? at + 1 : 0]), curve = a - 2.0 * b + c;
    const double shift = curve < 0.0 ? 0.5 * (a - c) / curve : 0.0, peak = b - 0.25 * (a - c) * shift;
    const double limit = 0.98 * peak;
    double span = 0.0, before = (double)(sign * row[points - 1]);
    for (int64_t j = 0; j < points; j++) {
        const double here = (double)(sign * row[j]);
        if (before >= limit && here >= limit) {
            span += 1.0;
        } else if (before >= limit || here >= limit) {
            const double top = most(before, here), bottom = least(before, here);
            span += (top - limit) / (top - bottom);
        }
        before = here;
    }
    *crest = (double)sign * peak;
    *flat = span / (double)points;
    *place = ((double)at + shift) / (double)points;
}

}  // namespace

void loud_orders(Cube<const double> amplitude, Ints limits, Doubles least_power, Row<int64_t> out) {
    for (int64_t i = 0; i < amplitude.n; i++) {
        const Table<const double> lines = amplitude[i];
        int64_t k = least(limits[i], lines.rows) - 1;
        while (k > 1 && !(power_of(lines, k) >= least_power[i])) k--;
        out[i] = most(k, 1);
    }
}

void high_orders(Cube<const double> amplitude, Ints limits, int64_t first, Table<double> out) {
    for (int64_t i = 0; i < amplitude.n; i++) {
        const Table<const double> lines = amplitude[i];
        double total = 0.0, place = 0.0;
        for (int64_t k = first; k < least(limits[i], lines.rows); k++) {
            const double power = power_of(lines, k);
            total += power;
            place += power * (double)k;
        }
        out[i][0] = limits[i] > first ? 0.5 * total : NAN;
        out[i][1] = total > 0.0 ? place / total : NAN;
    }
}

void draw_cycles(Cube<const double> amplitude, Ints rows, Ints limits, Doubles least_power, double jump, double scale,
                 Row<double> taper, Block<float> drawn) {
    int64_t held = -1;
    for (int64_t r = 0; r < rows.n; r++) {
        const int64_t i = rows[r];
        const Table<const double> lines = amplitude[i];
        const int64_t length = least(least(limits[i], lines.rows), drawn.rows);
        if (length != held) fill_taper(length, taper);
        held = length;
        const bool tapered = jumps(lines, length, least_power[i], jump);
        const Table<float> cycle = drawn[0][r], slope = drawn[1][r];
        for (int64_t k = 1; k < length; k++) {
            if (k > 1 && !(power_of(lines, k) >= least_power[i])) continue;
            const double re = lines[k][0], im = lines[k][1], plain = tapered ? scale * taper[k] : scale;
            const double steep = scale * 2.0 * PI * (double)k * taper[k] / taper[1];
            cycle[k][0] = (float)(plain * re);
            cycle[k][1] = (float)(plain * im);
            slope[k][0] = (float)(-steep * im);
            slope[k][1] = (float)(steep * re);
        }
    }
}

void cycle_shape(Table<const float> cycle, Table<const float> slope, Table<double> out) {
    for (int64_t i = 0; i < cycle.rows; i++) {
        const Floats row = cycle[i], steep = slope[i];
        int64_t high = 0, low = 0;
        float up = 0.0f, down = 0.0f;
        for (int64_t j = 0; j < row.n; j++) {
            if (row[j] > row[high]) high = j;
            if (row[j] < row[low]) low = j;
            if (steep[j] > up) up = steep[j];
            if (steep[j] < down) down = steep[j];
        }
        const Row<double> found = out[i];
        measure_half(row, high, 1.0f, &found[0], &found[2], &found[6]);
        measure_half(row, low, -1.0f, &found[1], &found[3], &found[7]);
        found[4] = (double)up;
        found[5] = (double)down;
    }
}

}  // namespace listen::LISTEN_LEVEL
