// Samples brought to the even grid of phase: where its points lie, and the signal there.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr int64_t LONG_TAPS = 64, FEW_TAPS = 16;

// Middles after the samples first, first + 1 .. of x: sums[i] = sum over m of taps[m] x[first + i - 31 + m].
void add_middles(Floats x, Floats taps, int64_t first, int64_t count, Row<float> sums) {
    for (int64_t j = 0; j < count; j++) sums[j] = 0.0f;
    // four and their mirrors at a time: what is added to is read and written once for all of them
    for (int64_t four = 0; four < LONG_TAPS / 2; four += 4) {
        const int64_t low = first - (LONG_TAPS / 2 - 1) + four, high = first + LONG_TAPS / 2 - four;
        const float t0 = taps[four], t1 = taps[four + 1], t2 = taps[four + 2], t3 = taps[four + 3];
        LISTEN_INDEPENDENT
        for (int64_t j = 0; j < count; j++) {
            const int64_t a = low + j, b = high + j;
            sums[j] += t0 * (x[a] + x[b]) + t1 * (x[a + 1] + x[b - 1]) + t2 * (x[a + 2] + x[b - 2]) +
                       t3 * (x[a + 3] + x[b - 3]);
        }
    }
}

}  // namespace

void grid_places(Doubles knots, Doubles turns, Doubles slopes, int64_t points, int64_t start, double origin,
                 Row<double> place, Row<double> dphi) {
    const int64_t n = place.n, pieces = knots.n - 1;
    const double inv_points = 1.0 / (double)points;
    for (int64_t k = 0; k < pieces; k++) {
        const double p0 = turns[k], p1 = turns[k + 1];
        const int64_t a = k == 0 ? 0 : within(whole(ceil(p0 * (double)points), -FAR, FAR) - start, 0, n);
        const int64_t b = k == pieces - 1 ? n : within(whole(ceil(p1 * (double)points), -FAR, FAR) - start, 0, n);
        const double h = p1 - p0, d0 = h / slopes[k], d1 = h / slopes[k + 1], dt = knots[k + 1] - knots[k];
        const double c2 = 3.0 * dt - 2.0 * d0 - d1, c3 = d0 + d1 - 2.0 * dt;
        const double base = knots[k] - origin, step = inv_points / h;
        const double first = ((double)(a + start) * inv_points - p0) / h;
        LISTEN_INDEPENDENT
        for (int64_t i = a; i < b; i++) {
            const double u = first + (double)(i - a) * step;
            place[i] = base + u * (d0 + u * (c2 + u * c3));
            dphi[i] = h / (d0 + u * (2.0 * c2 + 3.0 * u * c3));
        }
    }
}

void interpolate(Floats x, Doubles place, double origin, Floats middle, Cube<const float> table, Table<int64_t> rows,
                 Row<float> shares, Row<float> twice, Row<float> out) {
    const int64_t places = table.n, span = twice.n / 3;
    const Row<float> room = {&twice[2 * span], span};
    const Row<int64_t> near = rows[0], table_rows = rows[1];
    int64_t start = 0;
    while (start < place.n) {
        int64_t count = least(rows.columns, place.n - start);
        const int64_t low = within(whole(place[start] - origin, -FAR, FAR) - 7, 31, x.n - 43);
        while (count > 1 && place[start + count - 1] - origin > (double)(low + span - 12)) count /= 2;
        const int64_t end = whole(place[start + count - 1] - origin, -FAR, FAR) + 9;
        const int64_t samples = most(least(least(end, x.n - 33), low + span - 1) - low + 1, 10);
        add_middles(x, middle, low, samples, room);
        LISTEN_INDEPENDENT
        for (int64_t j = 0; j < samples; j++) {
            twice[2 * j] = x[low + j];
            twice[2 * j + 1] = room[j];
        }
        // what can be done for several points at once is done before
        const double highest = (double)(2 * samples - 9), last_row = (double)(places - 1), far_times = (double)places;
        LISTEN_INDEPENDENT
        for (int64_t i = 0; i < count; i++) {
            const double at = 2.0 * (place[start + i] - origin - (double)low);
            // the order of the two makes 7 of what is no number
            const double k = floor(at > 7.0 ? (at < highest ? at : highest) : 7.0);
            const double beyond = (at - k) * far_times;
            const double q = floor(beyond > 0.0 ? (beyond < last_row ? beyond : last_row) : 0.0);
            near[i] = (int64_t)k - 7;
            table_rows[i] = (int64_t)q;
            shares[i] = (float)(beyond - q);
        }
        for (int64_t i = 0; i < count; i++) {
            const float u = shares[i];
            const float* __restrict signal = &twice[near[i]];
            const Table<const float> taps = table[table_rows[i]];
            const float *__restrict t0 = taps[0].data, *__restrict t1 = taps[1].data, *__restrict t2 = taps[2].data;
            float total = 0.0f;
            for (int64_t m = 0; m < FEW_TAPS; m++) total += signal[m] * (t0[m] + u * (t1[m] + u * t2[m]));
            out[start + i] = total;
        }
        start += count;
    }
}

}  // namespace listen::LISTEN_LEVEL
