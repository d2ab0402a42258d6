// Tables of turns, and the place where transforms are done.
#pragma once

#include <math.h>

#include "fft.hpp"

namespace listen::LISTEN_LEVEL {

// Cosine and sine of 2 pi j / size for j = 0 .. size - 1, each half of the table turned on from the one before.
LISTEN_INLINE void fill_turns(int64_t size, double* cosine, double* sine) {
    cosine[0] = 1.0;
    sine[0] = 0.0;
    for (int64_t done = 1; done < size; done *= 2) {
        const double angle = 6.28318530717958647692 * (double)done / (double)size, c = cos(angle), s = sin(angle);
        const int64_t more = least(done, size - done);
        LISTEN_INDEPENDENT
        for (int64_t j = 0; j < more; j++) {
            cosine[done + j] = c * cosine[j] - s * sine[j];
            sine[done + j] = s * cosine[j] + c * sine[j];
        }
    }
}

// Room for the transforms of rows of ``size`` numbers, cut into its parts: each begins at a line of the cache.
template <class T>
struct Workplace {
    Turns<T> turns;
    Wave<T>*here, *other;

    static constexpr int64_t LINE = 64 / sizeof(T);

    static int64_t table_length(int64_t size) { return (size + LINE - 1) / LINE * LINE; }
    static int64_t wave_length(int64_t size) { return (size + 2) * WIDTH<T>; }
    // Doubles for the table are made where the waves will be.
    static int64_t length(int64_t size) {
        return 2 * table_length(size) + most(2 * wave_length(size), 4 * table_length(size));
    }

    LISTEN_INLINE Workplace(int64_t size, Row<T> room) {
        T *cosine = room.data, *sine = cosine + table_length(size), *waves = sine + table_length(size);
        double *c = (double*)waves, *s = c + size;
        fill_turns(size, c, s);
        for (int64_t j = 0; j < size; j++) {
            cosine[j] = (T)c[j];
            sine[j] = (T)s[j];
        }
        turns = {cosine, sine, size};
        here = (Wave<T>*)waves;
        other = here + (size + 2) / 2;
    }
};

}  // namespace listen::LISTEN_LEVEL
