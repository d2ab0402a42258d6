// The phase of each sample, and the short frames along it. Phases are in cycles, never in radians: rounding to the
// nearest whole cycle is then a subtraction.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr double PI = 3.14159265358979323846;
constexpr int64_t AT_ONCE = 1024;
// Samples whose numbers stay in the first level of the cache.
constexpr int64_t ADDED = 256;
// In single precision no more than so many numbers are added up at a time, and phases are counted from the first of them.

// Cosine of an angle up to a right angle from its square, in single precision and as exact as that: Taylor's series.
LISTEN_INLINE float cosine_of(float q) {
    return 1.0f +
           q * (-1.0f / 2.0f +
                q * (1.0f / 24.0f +
                     q * (-1.0f / 720.0f + q * (1.0f / 40320.0f + q * (-1.0f / 3628800.0f + q * (1.0f / 479001600.0f))))));
}

// Sine over the angle, alike.
LISTEN_INLINE float sine_of(float q) {
    return 1.0f +
           q * (-1.0f / 6.0f +
                q * (1.0f / 120.0f + q * (-1.0f / 5040.0f + q * (1.0f / 362880.0f + q * (-1.0f / 39916800.0f)))));
}

// Samples of one block: their phase, and what the short frames add up, in single precision.
struct Samples {
    double phase[AT_ONCE], dphi[AT_ONCE];
    float local[AT_ONCE], weight[AT_ONCE], re[AT_ONCE], im[AT_ONCE], square[AT_ONCE], mean[AT_ONCE];
};

// Each sample times cycles a sample and: 1, the phase's cosine, its sine, the sample, its square.
void turn_down(Doubles x, int64_t first, int64_t count, Samples& to) {
    for (int64_t start = 0; start < count; start += ADDED) {
        const double first_phase = to.phase[start];
        for (int64_t j = start; j < least(start + ADDED, count); j++) to.local[j] = (float)(to.phase[j] - first_phase);
    }
    LISTEN_INDEPENDENT
    for (int64_t j = 0; j < count; j++) {
        // half the angle, then doubled
        const float y = (float)((to.phase[j] - rint(to.phase[j])) * PI);
        const float q = y * y, s = y * sine_of(q), c = cosine_of(q), twice = s + s;
        const double value = x[first + j];
        const float weighted = (float)(value * to.dphi[j]);
        to.weight[j] = (float)to.dphi[j];
        to.re[j] = weighted * (1.0f - twice * s);
        to.im[j] = weighted * (twice * c);
        to.square[j] = weighted * (float)value;
        to.mean[j] = weighted;
    }
}

// First of so many rising phases that reaches a target.
LISTEN_INLINE int64_t first_at(const double* phase, int64_t count, double target) {
    int64_t a = 0, b = count;
    while (a < b) {
        const int64_t middle = (a + b) / 2;
        if (phase[middle] < target) {
            a = middle + 1;
        } else {
            b = middle;
        }
    }
    return a;
}

// Add what lies in this block of a frame: sums of its weight, and of it times what ``turn_down`` made.
void add_frame(const Samples& of, int64_t count, double centre, double cycles, Row<double> sums) {
    const int64_t first = first_at(of.phase, count, centre - 0.5 * cycles);
    const int64_t last = first_at(of.phase, count, centre + 0.5 * cycles);
    const float scale = (float)(PI / cycles);
    for (int64_t start = first, stop; start < last; start = stop) {
        const int64_t block = start - start % ADDED;
        const float middle = (float)(centre - of.phase[block]);
        stop = least(block + ADDED, last);
        float re = 0.0f, im = 0.0f, square = 0.0f, mean = 0.0f, weight = 0.0f;
        for (int64_t j = start; j < stop; j++) {
            const float y = (of.local[j] - middle) * scale, c = cosine_of(y * y), w = c * c;
            weight += w * of.weight[j];
            re += w * of.re[j];
            im -= w * of.im[j];
            square += w * of.square[j];
            mean += w * of.mean[j];
        }
        sums[0] += (double)re;
        sums[1] += (double)im;
        sums[2] += (double)square;
        sums[3] += (double)mean;
        sums[4] += (double)weight;
    }
}

}  // namespace

void phase_samples(Doubles knots, Doubles turns, Doubles slopes, int64_t first, Row<double> dphi, Row<double> phase) {
    const int64_t n = phase.n, pieces = knots.n - 1;
    for (int64_t k = 0; k < pieces; k++) {
        const double a = knots[k], b = knots[k + 1];
        int64_t start = k == 0 ? 0 : within(whole(ceil(a), -FAR, FAR) - first, 0, n);
        const int64_t stop = k == pieces - 1 ? n : within(whole(ceil(b), -FAR, FAR) - first, 0, n);
        const double h = b - a, p0 = turns[k];
        const double d0 = slopes[k] * h, d1 = slopes[k + 1] * h, dp = turns[k + 1] - p0;
        const double c2 = 3.0 * dp - 2.0 * d0 - d1, c3 = d0 + d1 - 2.0 * dp;
        const double inv = 1.0 / h, offset = (double)(start + first) - a;
        LISTEN_INDEPENDENT
        for (int64_t j = start; j < stop; j++) {
            const double u = ((double)(j - start) + offset) * inv;
            dphi[j] = (d0 + u * (2.0 * c2 + 3.0 * u * c3)) * inv;
            phase[j] = p0 + u * (d0 + u * (c2 + u * c3));
        }
    }
}

void short_frames(Doubles knots, Doubles turns, Doubles slopes, int64_t first, Doubles x, Doubles centres,
                  Doubles cycles, Table<double> sums, Table<double> out) {
    Samples samples;
    const int64_t frames = centres.n;
    for (int64_t f = 0; f < frames; f++) {
        for (int64_t column = 0; column < 5; column++) sums[f][column] = 0.0;
    }
    double reach = 0.0;
    for (int64_t f = 0; f < frames; f++) reach = most(reach, 0.5 * cycles[f]);
    // their centres rise: all frames before ``from`` have ended
    int64_t from = 0, piece = 0;
    for (int64_t start = 0, count; start < x.n; start += count) {
        // sums are cut at the same samples of the file wherever x begins: so no frame depends on that
        const int64_t ahead = modulo(first + start, ADDED);
        count = least(ahead ? ADDED - ahead : AT_ONCE, x.n - start);
        while (piece < knots.n - 2 && knots[piece + 1] <= (double)(first + start)) piece++;
        int64_t near = 2;
        while (piece + near < knots.n && knots[piece + near - 1] < (double)(first + start + count)) near++;
        phase_samples({&knots[piece], near}, {&turns[piece], near}, {&slopes[piece], near}, first + start,
                      {samples.dphi, count}, {samples.phase, count});
        turn_down(x, start, count, samples);
        const double low = samples.phase[0], high = samples.phase[count - 1];
        while (from < frames && centres[from] + reach <= low) from++;
        for (int64_t f = from; f < frames && centres[f] - reach <= high; f++) {
            add_frame(samples, count, centres[f], cycles[f], sums[f]);
        }
    }
    for (int64_t f = 0; f < frames; f++) {
        const Row<double> sum = sums[f], frame = out[f];
        const double weight = sum[4];
        for (int64_t column = 0; column < 4; column++) {
            frame[column] = weight > 0.0 ? (column < 2 ? 2.0 : 1.0) * sum[column] / weight : 0.0;
        }
    }
}

}  // namespace listen::LISTEN_LEVEL
