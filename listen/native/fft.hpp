// Fourier transforms of several rows at once, a row a lane: lengths that are products of 2, 3 and 5.
//
// T. G. Stockham, "High-speed convolution and correlation", AFIPS Spring Joint Computer Conference, 1966: each pass
// leaves its numbers in order, so that none are exchanged at the end. A real row is taken as half as many complex
// numbers, whose transform holds that of its even and of its odd numbers (W. H. Press et al., Numerical Recipes,
// sect. 12.3; both from memory).
#pragma once

#include "lanes.hpp"

namespace listen::LISTEN_LEVEL {

template <class T>
struct Wave {
    Lanes<T> re, im;
};

template <class T>
LISTEN_INLINE Wave<T> operator+(Wave<T> a, Wave<T> b) {
    return {a.re + b.re, a.im + b.im};
}
template <class T>
LISTEN_INLINE Wave<T> operator-(Wave<T> a, Wave<T> b) {
    return {a.re - b.re, a.im - b.im};
}
template <class T>
LISTEN_INLINE Wave<T> scaled(Wave<T> a, T factor) {
    return {a.re * factor, a.im * factor};
}
// Times -i.
template <class T>
LISTEN_INLINE Wave<T> turned_back(Wave<T> a) {
    return {a.im, a.re * (T)-1};
}
// Times exp(-i angle), the angle's cosine and sine given.
template <class T>
LISTEN_INLINE Wave<T> turned(Wave<T> a, T c, T s) {
    return {a.re * c + a.im * s, a.im * c - a.re * s};
}

// Cosine and sine of 2 pi j / size, j = 0 .. size - 1.
template <class T>
struct Turns {
    const T *cosine, *sine;
    int64_t size;
};

// Transforms of Radix numbers each.
template <int Radix, class T>
struct Butterfly;

template <class T>
struct Butterfly<2, T> {
    static LISTEN_INLINE void apply(Wave<T>* z) {
        const Wave<T> a = z[0], b = z[1];
        z[0] = a + b;
        z[1] = a - b;
    }
};

template <class T>
struct Butterfly<3, T> {
    static LISTEN_INLINE void apply(Wave<T>* z) {
        const Wave<T> sum = z[1] + z[2], off = turned_back(scaled(z[1] - z[2], (T)0.86602540378443864676));
        const Wave<T> middle = z[0] - scaled(sum, (T)0.5);
        z[0] = z[0] + sum;
        z[1] = middle + off;
        z[2] = middle - off;
    }
};

template <class T>
struct Butterfly<4, T> {
    static LISTEN_INLINE void apply(Wave<T>* z) {
        const Wave<T> a = z[0] + z[2], b = z[0] - z[2], c = z[1] + z[3], d = turned_back(z[1] - z[3]);
        z[0] = a + c;
        z[1] = b + d;
        z[2] = a - c;
        z[3] = b - d;
    }
};

template <class T>
struct Butterfly<5, T> {
    static LISTEN_INLINE void apply(Wave<T>* z) {
        constexpr T c1 = (T)0.30901699437494742410, c2 = (T)-0.80901699437494742410;
        constexpr T s1 = (T)0.95105651629515357212, s2 = (T)0.58778525229247312917;
        const Wave<T> a = z[1] + z[4], b = z[2] + z[3], c = z[1] - z[4], d = z[2] - z[3];
        const Wave<T> near = z[0] + scaled(a, c1) + scaled(b, c2), far = z[0] + scaled(a, c2) + scaled(b, c1);
        const Wave<T> off = turned_back(scaled(c, s1) + scaled(d, s2));
        const Wave<T> beyond = turned_back(scaled(c, s2) - scaled(d, s1));
        z[0] = z[0] + a + b;
        z[1] = near + off;
        z[4] = near - off;
        z[2] = far + beyond;
        z[3] = far - beyond;
    }
};

// One pass: ``stride`` transforms of ``left`` numbers become Radix times as many of a Radix-th.
template <int Radix, class T>
void pass(const Wave<T>* from, Wave<T>* to, int64_t left, int64_t stride, Turns<T> turns) {
    const int64_t m = left / Radix, each = turns.size / left;
    for (int64_t p = 0; p < m; p++) {
        T c[Radix], s[Radix];
        for (int k = 1; k < Radix; k++) {
            c[k] = turns.cosine[k * p * each];
            s[k] = turns.sine[k * p * each];
        }
        for (int64_t q = 0; q < stride; q++) {
            Wave<T> z[Radix];
            for (int k = 0; k < Radix; k++) z[k] = from[q + stride * (p + m * k)];
            Butterfly<Radix, T>::apply(z);
            Wave<T>* out = to + q + stride * Radix * p;
            out[0] = z[0];
            for (int k = 1; k < Radix; k++) out[stride * k] = turned(z[k], c[k], s[k]);
        }
    }
}

// Transform n complex numbers a lane, n dividing turns.size; ``other`` is room for as many. Returns where they are.
template <class T>
Wave<T>* transform(Wave<T>* here, Wave<T>* other, int64_t n, Turns<T> turns) {
    int64_t left = n, stride = 1;
    while (left > 1) {
        int64_t radix = 4;
        if (left % 4 == 0) {
            pass<4>(here, other, left, stride, turns);
        } else if (left % 2 == 0) {
            pass<2>(here, other, left, stride, turns);
            radix = 2;
        } else if (left % 3 == 0) {
            pass<3>(here, other, left, stride, turns);
            radix = 3;
        } else {
            pass<5>(here, other, left, stride, turns);
            radix = 5;
        }
        left /= radix;
        stride *= radix;
        Wave<T>* swapped = here;
        here = other;
        other = swapped;
    }
    return here;
}

// Spectra of real rows of 2 n numbers: z holds these as n complex ones and has room for n + 1, as ``other`` has.
template <class T>
Wave<T>* spectra_of(Wave<T>* z, Wave<T>* other, int64_t n, Turns<T> turns) {
    z = transform(z, other, n, turns);
    const Wave<T> first = z[0];
    const Lanes<T> none = first.re - first.re;
    z[0] = {first.re + first.im, none};
    z[n] = {first.re - first.im, none};
    for (int64_t k = 1; 2 * k <= n; k++) {
        const Wave<T> a = z[k], b = {z[n - k].re, z[n - k].im * (T)-1};
        const Wave<T> even = scaled(a + b, (T)0.5);
        const Wave<T> odd = turned(turned_back(scaled(a - b, (T)0.5)), turns.cosine[k], turns.sine[k]);
        const Wave<T> high = even - odd;
        z[k] = even + odd;
        z[n - k] = {high.re, high.im * (T)-1};
    }
    return z;
}

// Real rows of 2 n numbers that have these spectra of n + 1, times 2 n ``scale``: z as in ``spectra_of``.
template <class T>
Wave<T>* rows_of(Wave<T>* z, Wave<T>* other, int64_t n, Turns<T> turns, T scale) {
    // the two parts are exchanged before and after: that turns the transform's sign
    const Lanes<T> first = z[0].re, last = z[n].re;
    z[0] = {(first - last) * scale, (first + last) * scale};
    for (int64_t k = 1; 2 * k <= n; k++) {
        const Wave<T> a = z[k], b = {z[n - k].re, z[n - k].im * (T)-1};
        const Wave<T> even = scaled(a + b, scale);
        // times i exp(+i angle)
        const Wave<T> off = scaled(a - b, scale);
        const T c = turns.cosine[k], s = turns.sine[k];
        const Wave<T> odd = {(off.re * s + off.im * c) * (T)-1, off.re * c - off.im * s};
        const Wave<T> low = even + odd, high = even - odd;
        z[n - k] = {high.im * (T)-1, high.re};
        z[k] = {low.im, low.re};
    }
    z = transform(z, other, n, turns);
    for (int64_t j = 0; j < n; j++) z[j] = {z[j].im, z[j].re};
    return z;
}

}  // namespace listen::LISTEN_LEVEL
