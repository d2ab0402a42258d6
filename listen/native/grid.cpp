// On the even grid of phase: frames folded, what their mean cycles leave. A grid has a whole number of points a cycle;
// point n lies at the phase n / points, so that the place of a point in the cycle is n modulo ``points``.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr double PI = 3.14159265358979323846;

// Where point p of a cycle lies, counted in parts of it; the first one has its middle at ``crest``.
int64_t part_of(int64_t p, int64_t points, double crest, int64_t bins, double* place) {
    const double turn = (double)p / (double)points - crest + 0.5 / (double)bins;
    *place = (turn - floor(turn)) * (double)bins;
    return whole(*place, 0, bins - 1);
}

// Sum each part's points, over their mean number, ``own`` points being the frame's.
void share_points(Table<float> scratch, int64_t points, double crest, int64_t own, int64_t bins, Table<float> out) {
    const double scale = (double)bins / (double)own;
    int64_t p = 0;
    while (p < points) {
        double place, other;
        const int64_t k = part_of(p, points, crest, bins, &place);
        // where the next part begins, give or take a rounding
        const double wide = ((double)(k + 1) - place) * (double)points / (double)bins;
        int64_t stop = least(p + whole(wide, 1, points), points);
        while (stop > p + 1 && part_of(stop - 1, points, crest, bins, &other) != k) stop--;
        while (stop < points && part_of(stop, points, crest, bins, &other) == k) stop++;
        double power = 0.0, change = 0.0;
        for (int64_t j = p; j < stop; j++) {
            power += (double)scratch[0][j];
            change += (double)scratch[1][j];
        }
        out[0][k] = (float)((double)out[0][k] + power * scale);
        out[1][k] = (float)((double)out[1][k] + change * scale);
        p = stop;
    }
}

// Read each part's middle between two points.
void read_between(Table<float> scratch, int64_t points, double crest, int64_t own, int64_t bins, Table<float> out) {
    for (int64_t k = 0; k < bins; k++) {
        const double turn = crest + (double)k / (double)bins, place = (turn - floor(turn)) * (double)points;
        const int64_t p = whole(place, 0, points - 1), q = p + 1 < points ? p + 1 : 0;
        const double t = place - (double)p;
        for (int64_t side = 0; side < 2; side++) {
            const double value = (1.0 - t) * (double)scratch[side][p] + t * (double)scratch[side][q];
            out[side][k] = (float)(value * (double)points / (double)own);
        }
    }
}

}  // namespace

void turn_table(int64_t size, Row<double> cosine, Row<double> sine) {
    cosine[0] = 1.0;
    sine[0] = 0.0;
    // each half of the table is turned on from the one before
    for (int64_t done = 1; done < size; done *= 2) {
        const double angle = 2.0 * PI * (double)done / (double)size, c = cos(angle), s = sin(angle);
        const int64_t more = least(done, size - done);
        LISTEN_INDEPENDENT
        for (int64_t j = 0; j < more; j++) {
            cosine[done + j] = c * cosine[j] - s * sine[j];
            sine[done + j] = s * cosine[j] + c * sine[j];
        }
    }
}

void sum_cycles(Floats y, Doubles dphi, int64_t start, int64_t points, int64_t lap, Ints centres, Ints cycles,
                 Table<double> scratch, Table<double> folded, Table<double> tilted, Table<double> means) {
    int64_t before = 0;
    const Row<double> cosine = scratch[0], sine = scratch[1];
    for (int64_t f = 0; f < centres.n; f++) {
        const int64_t size = cycles[f] * points, first = centres[f] - size / 2;
        if (size != before) turn_table(size, cosine, sine);
        before = size;
        const Row<double> fold = folded[f], tilt = tilted[f];
        for (int64_t p = 0; p < lap; p++) fold[p] = tilt[p] = 0.0;
        double slope = 0.0, square = 0.0;
        int64_t p = modulo(start + first, lap);
        for (int64_t j = 0; j < size;) {
            const int64_t stop = least(j + lap - p, size), shift = p - j;
            LISTEN_INDEPENDENT
            for (int64_t i = j; i < stop; i++) {
                const double value = (double)y[first + i], weight = 1.0 - cosine[i], weighted = weight * value;
                slope += weight * dphi[first + i];
                square += weighted * value;
                fold[i + shift] += weighted;
                tilt[i + shift] -= sine[i] * value;
            }
            j = stop;
            p = 0;
        }
        means[f][0] = slope / (double)size;
        means[f][1] = square / (double)size;
    }
}

void leave(Floats y, int64_t start, Ints centres, Table<const float> tables, Doubles dc, Row<float> out) {
    const int64_t n = y.n, places = tables.columns, frames = centres.n;
    for (int64_t f = 0; f <= frames; f++) {
        const int64_t r0 = most(f - 1, 0), r1 = least(f, frames - 1);
        const int64_t c0 = within(centres[r0], -FAR, FAR), c1 = within(centres[r1], -FAR, FAR);
        const int64_t a = f == 0 ? 0 : within(c0, 0, n), b = f == frames ? n : within(c1, 0, n);
        const double span = (double)most(c1 - c0, 1);
        const float step = (float)(1.0 / span), low = (float)dc[r0], rise = (float)(dc[r1] - dc[r0]);
        const Floats here = tables[r0], there = tables[r1];
        for (int64_t at = a; at < b;) {
            const int64_t p = modulo(start + at, places), stop = least(at + places - p, b);
            const float u0 = r1 != r0 ? (float)((double)(at - c0) / span) : 0.0f;
            LISTEN_INDEPENDENT
            for (int64_t j = 0; j < stop - at; j++) {
                const float u = u0 + (float)(int32_t)j * step, now = here[p + j];
                out[at + j] = y[at + j] - (low + now + u * (rise + there[p + j] - now));
            }
            at = stop;
        }
    }
}

void residual_histogram(Floats r, int64_t start, int64_t points, int64_t lap, Ints edges, Doubles crests, int64_t bins,
                   Table<float> scratch, Cube<float> out) {
    const Row<float> power = scratch[0], change = scratch[1];
    for (int64_t f = 0; f < edges.n - 1; f++) {
        const int64_t a = within(edges[f], 1, r.n), b = within(edges[f + 1], 1, r.n);
        for (int64_t k = 0; k < bins; k++) out[f][0][k] = out[f][1][k] = 0.0f;
        if (b <= a) continue;
        for (int64_t p = 0; p < lap; p++) power[p] = change[p] = 0.0f;
        for (int64_t at = a; at < b;) {
            const int64_t p = modulo(start + at, lap), stop = least(at + lap - p, b);
            LISTEN_INDEPENDENT
            for (int64_t j = 0; j < stop - at; j++) {
                const float value = r[at + j], step = value - r[at + j - 1];
                power[p + j] += value * value;
                change[p + j] += step * step;
            }
            at = stop;
        }
        for (int64_t p = points; p < lap; p++) {
            power[p % points] += power[p];
            change[p % points] += change[p];
        }
        // each place of the cycle holds as many points as the frame has cycles, give or take one
        if (points >= 4 * bins) {
            share_points(scratch, points, crests[f], b - a, bins, out[f]);
        } else {
            read_between(scratch, points, crests[f], b - a, bins, out[f]);
        }
    }
}

void gather_blocks(Floats r, Doubles place, int64_t first, int64_t last, double origin, int64_t block,
                   Table<double> low) {
    int64_t i = most(first, 1);
    last = least(last, r.n - 1);
    while (i < last) {
        const int64_t b = whole(floor((place[i] - origin) / (double)block), -FAR, FAR);
        const double end = origin + (double)(b + 1) * (double)block;
        // the block's points, as many as there would be if they lay evenly, give or take a few
        const double even = (end - place[i]) / (place[i + 1] - place[i]);
        int64_t stop = i + whole(even, 1, last - i);
        while (stop > i + 1 && place[stop - 1] >= end) stop--;
        while (stop < last && place[stop] < end) stop++;
        double total = 0.0;
        for (int64_t j = i; j < stop; j++) total += (place[j + 1] - place[j - 1]) * (double)r[j];
        if (b >= 0 && b < low.rows) {
            low[b][0] += 0.5 * total;
            low[b][1] += 0.5 * ((place[stop] - place[i]) + (place[stop - 1] - place[i - 1]));
        }
        i = stop;
    }
}

}  // namespace listen::LISTEN_LEVEL
