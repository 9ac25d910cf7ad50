// SPDX-License-Identifier: GPL-3.0-or-later
// The kernels of bem/kernels.py, near_field.py and triangle_potentials.py for a graphics card.
// Formulas, symbols and sources are written there; here only what differs. Far pairs in single,
// near pairs in double precision. Arrays of points are float4: (x, y, z, coupling) and (n_x, n_y,
// n_z, 0) of a field point, (x, y, z, area / 4 pi) and (m_x, m_y, m_z, k^2 m / 2) of an element.

#define FOUR_PI 12.566370614359172
#define TILE 128

struct Wave { float k, inv_k, turns; };

// Structures travel as their members.
#define WAVE float wave_k, float wave_inv_k, float wave_turns
#define UNPACK_WAVE Wave wave = {wave_k, wave_inv_k, wave_turns};
#define ELEMENTS \
    const double *centroids, const double *normals, const double *corners, const double *areas, \
    const double *moments
#define UNPACK_ELEMENTS Elements of = {centroids, normals, corners, areas, moments};

__device__ inline float2 times(float2 a, float2 b)
{
    return make_float2(a.x * b.x - a.y * b.y, a.x * b.y + a.y * b.x);
}

// K + (ie/k) H of one pair; a coincident pair gives zero.
__device__ inline float2 double_layer(
    float x, float y, float z, float e, float nx, float ny, float nz,
    float4 source, float4 normal, Wave wave)
{
    float dx = source.x - x, dy = source.y - y, dz = source.z - z;
    float r2 = dx * dx + dy * dy + dz * dz;
    float inv_r = r2 > 0.f ? rsqrtf(r2) : 0.f;
    float r = r2 * inv_r;
    float r_y = (dx * normal.x + dy * normal.y + dz * normal.z) * inv_r;
    float r_x = -(dx * nx + dy * ny + dz * nz) * inv_r;
    float a = r_x * r_y;
    float b = nx * normal.x + ny * normal.y + nz * normal.z;
    float squared = 15.f * r_y * r_y;
    float inv_kr = wave.inv_k * inv_r;
    float spread = normal.w * inv_kr * inv_kr;
    float u = 3.f * a + b + spread * (9.f * (b + 5.f * a) - squared * (7.f * a + 3.f * b));
    float static_r_y = r_y + spread * r_y * (9.f - squared);
    float real = (e * u - static_r_y) * inv_r;
    float imaginary = wave.k * (static_r_y - e * a) + e * u * (inv_r * inv_kr);
    float turn = r * wave.turns;
    float sine, cosine;
    __sincosf(6.2831853f * (turn - rintf(turn)), &sine, &cosine);
    float amplitude = source.w * inv_r * (1.f - normal.w * (1.f - r_y * r_y));
    return make_float2(amplitude * (real * cosine - imaginary * sine),
                       amplitude * (real * sine + imaginary * cosine));
}

// G + (ie/k) K' of one pair; a coincident pair gives zero.
__device__ inline float2 single_layer(
    float x, float y, float z, float e, float nx, float ny, float nz,
    float4 source, float4 normal, Wave wave)
{
    float dx = source.x - x, dy = source.y - y, dz = source.z - z;
    float r2 = dx * dx + dy * dy + dz * dz;
    float inv_r = r2 > 0.f ? rsqrtf(r2) : 0.f;
    float r_x = -(dx * nx + dy * ny + dz * nz) * inv_r;
    float r_y = (dx * normal.x + dy * normal.y + dz * normal.z) * inv_r;
    float b = nx * normal.x + ny * normal.y + nz * normal.z;
    float inv_kr = wave.inv_k * inv_r;
    float spread = normal.w * inv_kr * inv_kr;
    float squared = 3.f * r_y * r_y;
    float static_r_x = r_x + spread * (r_x * (3.f - 5.f * squared) - 6.f * b * r_y);
    float turn = r2 * inv_r * wave.turns;
    float sine, cosine;
    __sincosf(6.2831853f * (turn - rintf(turn)), &sine, &cosine);
    float amplitude = source.w * inv_r * (1.f - normal.w * (1.f - r_y * r_y));
    float real = 1.f + spread * (1.f - squared) - e * static_r_x;
    float imaginary = -e * static_r_x * inv_kr;
    return make_float2(amplitude * (real * cosine - imaginary * sine),
                       amplitude * (real * sine + imaginary * cosine));
}

// Product of a layer, formed on the fly. A block takes its rows, and every gridDim.y-th tile of the
// elements; out is (gridDim.y, V, rows), to be summed over the first axis.
template <int V, bool SINGLE>
__global__ void apply_layer(
    int rows, const float4 *points, const float4 *normals,
    int images, const float4 *signs,
    int elements, const float4 *sources, const float4 *source_normals,
    const float2 *vectors, WAVE, float2 *out)
{
    UNPACK_WAVE
    __shared__ float4 source[TILE], normal[TILE];
    __shared__ float2 vector[V][TILE];
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    float4 point = i < rows ? points[i] : make_float4(0, 0, 0, 0);
    float4 along = i < rows ? normals[i] : make_float4(0, 0, 0, 0);
    float2 total[V];
    for (int v = 0; v < V; v++) total[v] = make_float2(0, 0);
    for (int begin = blockIdx.y * TILE; begin < elements; begin += gridDim.y * TILE) {
        __syncthreads();
        for (int t = threadIdx.x; t < TILE; t += blockDim.x) {
            bool inside = begin + t < elements;
            source[t] = inside ? sources[begin + t] : make_float4(0, 0, 0, 0);
            normal[t] = inside ? source_normals[begin + t] : make_float4(0, 0, 0, 0);
            for (int v = 0; v < V; v++)
                vector[v][t] = inside ? vectors[(size_t)v * elements + begin + t]
                                      : make_float2(0, 0);
        }
        __syncthreads();
        float2 part[V];
        for (int v = 0; v < V; v++) part[v] = make_float2(0, 0);
        for (int image = 0; image < images; image++) {
            float4 s = signs[image];
            float x = point.x * s.x, y = point.y * s.y, z = point.z * s.z;
            float nx = along.x * s.x, ny = along.y * s.y, nz = along.z * s.z;
            #pragma unroll 4
            for (int t = 0; t < TILE; t++) {
                float2 value = SINGLE
                    ? single_layer(x, y, z, point.w, nx, ny, nz, source[t], normal[t], wave)
                    : double_layer(x, y, z, point.w, nx, ny, nz, source[t], normal[t], wave);
                for (int v = 0; v < V; v++) {
                    float2 w = vector[v][t];
                    part[v].x += value.x * w.x - value.y * w.y;
                    part[v].y += value.x * w.y + value.y * w.x;
                }
            }
        }
        for (int v = 0; v < V; v++) {
            total[v].x += part[v].x;
            total[v].y += part[v].y;
        }
    }
    if (i < rows)
        for (int v = 0; v < V; v++)
            out[((size_t)blockIdx.y * V + v) * rows + i] = total[v];
}

// The matrix of the double layers, column after column (so that neighbouring threads write side by
// side): out[j * rows + i].
extern "C" __global__ void fill_double(
    int rows, const float4 *points, const float4 *normals,
    int images, const float4 *signs,
    int elements, const float4 *sources, const float4 *source_normals,
    WAVE, float2 *out)
{
    UNPACK_WAVE
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= rows) return;
    float4 point = points[i], along = normals[i];
    for (int j = blockIdx.y; j < elements; j += gridDim.y) {
        float4 source = sources[j], normal = source_normals[j];
        float2 sum = make_float2(0, 0);
        for (int image = 0; image < images; image++) {
            float4 s = signs[image];
            float2 value = double_layer(
                point.x * s.x, point.y * s.y, point.z * s.z, point.w,
                along.x * s.x, along.y * s.y, along.z * s.z, source, normal, wave);
            sum.x += value.x;
            sum.y += value.y;
        }
        out[(size_t)j * rows + i] = sum;
    }
}

// Add factor[c] times the single layers of some elements to the columns of a filled matrix.
extern "C" __global__ void add_single_columns(
    int rows, const float4 *points, const float4 *normals,
    int images, const float4 *signs,
    int columns, const int *column, const float4 *sources, const float4 *source_normals,
    const float2 *factor, WAVE, float2 *out)
{
    UNPACK_WAVE
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= rows) return;
    float4 point = points[i], along = normals[i];
    for (int c = blockIdx.y; c < columns; c += gridDim.y) {
        int j = column[c];
        float2 sum = make_float2(0, 0);
        for (int image = 0; image < images; image++) {
            float4 s = signs[image];
            float2 value = single_layer(
                point.x * s.x, point.y * s.y, point.z * s.z, point.w,
                along.x * s.x, along.y * s.y, along.z * s.z, sources[j], source_normals[j], wave);
            sum.x += value.x;
            sum.y += value.y;
        }
        sum = times(sum, factor[c]);
        out[(size_t)j * rows + i].x += sum.x;
        out[(size_t)j * rows + i].y += sum.y;
    }
}

// Far-field coefficient, like apply_layer: out is (gridDim.y, V, directions). The vectors are
// k times the pressure and the gradient.
template <int V>
__global__ void far_field(
    int directions, const float4 *direction,
    int images, const float4 *signs,
    int elements, const float4 *sources, const float4 *source_normals,
    const float2 *pressure, const float2 *gradient, WAVE, float2 *out)
{
    UNPACK_WAVE
    int d = blockIdx.x * blockDim.x + threadIdx.x;
    if (d >= directions) return;
    float4 to = direction[d];
    float2 total[V];
    for (int v = 0; v < V; v++) total[v] = make_float2(0, 0);
    for (int image = 0; image < images; image++) {
        float4 s = signs[image];
        float x = to.x * s.x, y = to.y * s.y, z = to.z * s.z;
        for (int j = blockIdx.y; j < elements; j += gridDim.y) {
            float4 source = sources[j], normal = source_normals[j];
            float turn = (x * source.x + y * source.y + z * source.z) * wave.turns;
            float along = x * normal.x + y * normal.y + z * normal.z;
            float weight = source.w * (1.f - normal.w * (1.f - along * along));
            float sine, cosine;
            __sincosf(6.2831853f * (turn - rintf(turn)), &sine, &cosine);
            for (int v = 0; v < V; v++) {
                float2 p = pressure[(size_t)v * elements + j];
                float2 g = gradient[(size_t)v * elements + j];
                float2 value = make_float2(weight * (along * p.y - g.x),
                                           weight * (-along * p.x - g.y));
                total[v].x += value.x * cosine + value.y * sine;
                total[v].y += value.y * cosine - value.x * sine;
            }
        }
    }
    for (int v = 0; v < V; v++)
        out[((size_t)blockIdx.y * V + v) * directions + d] = total[v];
}

// ---------------------------------------------------------------------------------- near pairs

struct Vector { double x, y, z; };

__device__ inline Vector at(const double *a, size_t i)
{
    return {a[3 * i], a[3 * i + 1], a[3 * i + 2]};
}
__device__ inline Vector operator-(Vector a, Vector b) { return {a.x - b.x, a.y - b.y, a.z - b.z}; }
__device__ inline Vector operator+(Vector a, Vector b) { return {a.x + b.x, a.y + b.y, a.z + b.z}; }
__device__ inline Vector operator*(double f, Vector a) { return {f * a.x, f * a.y, f * a.z}; }
__device__ inline Vector mirrored(Vector a, Vector s) { return {a.x * s.x, a.y * s.y, a.z * s.z}; }
__device__ inline double dot(Vector a, Vector b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
__device__ inline double norm(Vector a) { return sqrt(dot(a, a)); }
__device__ inline Vector cross(Vector a, Vector b)
{
    return {a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x};
}

// Near elements of each field point: the first pass counts, the second lists.
extern "C" __global__ void find_near(
    int points, int elements, const double *centroids, int images, const double *signs,
    const double *limit2, double close2, bool list, const long long *start,
    int *counts, int *point_of, int *element_of, signed char *image_of, bool *fine)
{
    __shared__ double cx[TILE], cy[TILE], cz[TILE], limit[TILE];
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    Vector point = i < points ? at(centroids, i) : Vector{1e9, 1e9, 1e9};
    long long found = list && i < points ? start[i] : 0;
    for (int begin = 0; begin < elements; begin += TILE) {
        __syncthreads();
        for (int t = threadIdx.x; t < TILE; t += blockDim.x) {
            bool inside = begin + t < elements;
            cx[t] = inside ? centroids[3 * (size_t)(begin + t)] : 0;
            cy[t] = inside ? centroids[3 * (size_t)(begin + t) + 1] : 0;
            cz[t] = inside ? centroids[3 * (size_t)(begin + t) + 2] : 0;
            limit[t] = inside ? limit2[begin + t] : -1;
        }
        __syncthreads();
        for (int image = 0; image < images; image++) {
            Vector x = mirrored(point, at(signs, image));
            for (int t = 0; t < TILE; t++) {
                double dx = cx[t] - x.x, dy = cy[t] - x.y, dz = cz[t] - x.z;
                double d2 = dx * dx + dy * dy + dz * dz;
                if (d2 < limit[t]) {
                    if (list) {
                        point_of[found] = i;
                        element_of[found] = begin + t;
                        image_of[found] = image;
                        fine[found] = d2 < close2 * limit[t];
                    }
                    found++;
                }
            }
        }
    }
    if (!list && i < points) counts[i] = found;
}

__device__ Vector edge_gradient(Vector a, Vector b)
{
    double la = norm(a), lb = norm(b);
    double denominator = la * lb * (la * lb + dot(a, b));
    return (denominator > 0 ? (la + lb) / denominator : 0.0) * cross(a, b);
}

// Static K and H of each pair.
extern "C" __global__ void static_double_layers(
    long long pairs, const int *point_of, const int *element_of, const signed char *image_of,
    const double *points, const double *normals, const double *signs, const double *corners,
    double *double_layer, double *hypersingular)
{
    long long p = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    if (p >= pairs) return;
    Vector s = at(signs, image_of[p]);
    Vector x = mirrored(at(points, point_of[p]), s), n = mirrored(at(normals, point_of[p]), s);
    Vector c[3];
    for (int e = 0; e < 3; e++) c[e] = at(corners, 3 * (size_t)element_of[p] + e) - x;
    double l0 = norm(c[0]), l1 = norm(c[1]), l2 = norm(c[2]);
    double triple = dot(c[0], cross(c[1], c[2]));
    double angle = 2 * atan2(triple, l0 * l1 * l2 + dot(c[0], c[1]) * l2 + dot(c[1], c[2]) * l0
                                         + dot(c[2], c[0]) * l1);
    if (fabs(triple) < 1e-10 * l0 * l1 * l2) angle = 0;
    double total = 0;
    for (int e = 0; e < 3; e++) total += dot(edge_gradient(c[e], c[(e + 1) % 3]), n);
    double_layer[p] = -angle / FOUR_PI;
    hypersingular[p] = -total / FOUR_PI;
}

// G and the dynamic part of H of each element at its own centroid.
extern "C" __global__ void own_element(
    int elements, const double *centroids, const double *corners, double k,
    double2 *layer, double2 *dynamic)
{
    const double node[4] = {0.1834346424956498, 0.5255324099163290, 0.7966664774136267,
                            0.9602898564975363};
    const double weight[4] = {0.3626837833783620, 0.3137066458778873, 0.2223810344533745,
                              0.1012285362903763};
    int j = blockIdx.x * blockDim.x + threadIdx.x;
    if (j >= elements) return;
    Vector centre = at(centroids, j);
    double2 sum = {0, 0}, over_rho = {0, 0};
    for (int e = 0; e < 3; e++) {
        Vector a = at(corners, 3 * (size_t)j + e) - centre;
        Vector b = at(corners, 3 * (size_t)j + (e + 1) % 3) - centre;
        Vector tangent = (1 / norm(b - a)) * (b - a);
        double along_a = dot(a, tangent), along_b = dot(b, tangent);
        double foot = norm(a - along_a * tangent);
        double first = atan2(along_a, foot), last = atan2(along_b, foot);
        for (int q = 0; q < 8; q++) {
            double at_node = (q < 4 ? -1 : 1) * node[q % 4];
            double width = (last - first) / 2 * weight[q % 4];
            double rho = foot / cos((first + last) / 2 + (last - first) / 2 * at_node);
            double half = sin(k * rho / 2);
            double re = -2 * half * half, im = sin(k * rho);
            sum.x += width * re;
            sum.y += width * im;
            over_rho.x += width * re / rho;
            over_rho.y += width * im / rho;
        }
    }
    layer[j] = {sum.y / (k * FOUR_PI), -sum.x / (k * FOUR_PI)};
    dynamic[j] = {-over_rho.x / FOUR_PI, k / 2 - over_rho.y / FOUR_PI};
}

#define A5 0.10128650732345633
#define B5 0.47014206410511505
#define WA 0.12593918054482717
#define WB 0.13239415278850616
__constant__ double RULE[10][4] = {
    {2. / 3, 1. / 6, 1. / 6, 1. / 3}, {1. / 6, 2. / 3, 1. / 6, 1. / 3},
    {1. / 6, 1. / 6, 2. / 3, 1. / 3},
    {1. / 3, 1. / 3, 1. / 3, 9. / 40},
    {1 - 2 * A5, A5, A5, WA}, {A5, 1 - 2 * A5, A5, WA}, {A5, A5, 1 - 2 * A5, WA},
    {1 - 2 * B5, B5, B5, WB}, {B5, 1 - 2 * B5, B5, WB}, {B5, B5, 1 - 2 * B5, WB}};

__device__ inline Vector gauss_point(const double *corners, int j, int q)
{
    size_t c = 3 * (size_t)j;
    return RULE[q][0] * at(corners, c) + RULE[q][1] * at(corners, c + 1)
           + RULE[q][2] * at(corners, c + 2);
}

struct Elements {
    const double *centroids, *normals, *corners, *areas, *moments;
};

// What a near pair adds to the far rule of K + (ie/k) H.
__device__ double2 near_double(
    Vector x, Vector n, double e, Elements of, int j, bool own, bool fine, double static_k,
    double static_h, double2 dynamic, double k)
{
    if (own)
        return {static_k - e / k * dynamic.y, e / k * (static_h + dynamic.x)};
    Vector m = at(of.normals, j);
    double b = dot(n, m);
    double re = static_k, im = e * static_h / k;
    for (int q = fine ? 3 : 0; q < (fine ? 10 : 3); q++) {
        Vector d = gauss_point(of.corners, j, q) - x;
        double inv = 1 / norm(d), kr = k / inv;
        double r_y = dot(d, m) * inv, r_x = -dot(d, n) * inv, u = 3 * r_x * r_y + b;
        double c, s;
        sincos(kr, &s, &c);
        double f_re = c + kr * s - 1, f_im = s - kr * c;
        double w = of.areas[j] * RULE[q][3] / FOUR_PI * inv;
        double h_re = u * f_re * inv * inv - k * k * r_x * r_y * c;
        double h_im = u * f_im * inv * inv - k * k * r_x * r_y * s;
        re += w * (-r_y * f_re * inv - e * h_im / k);
        im += w * (-r_y * f_im * inv + e * h_re / k);
    }
    Vector d = at(of.centroids, j) - x;
    double inv = 1 / norm(d), kr = k / inv;
    double r_y = dot(d, m) * inv, r_x = -dot(d, n) * inv, a = r_x * r_y;
    double spread = 0.5 * of.moments[j] * inv * inv, squared = 15 * r_y * r_y;
    double u = 3 * a + b + spread * (9 * (b + 5 * a) - squared * (7 * a + 3 * b));
    double static_r_y = r_y + spread * r_y * (9 - squared);
    double w = of.areas[j] / FOUR_PI * inv * (1 - 0.5 * k * k * of.moments[j] * (1 - r_y * r_y));
    double g_re = (e * u - static_r_y) * inv;
    double g_im = k * (static_r_y - e * a) + e * u * inv * inv / k;
    double c, s;
    sincos(kr, &s, &c);
    return {re - w * (g_re * c - g_im * s), im - w * (g_re * s + g_im * c)};
}

__device__ double2 near_single(
    Vector x, Vector n, double e, Elements of, int j, bool own, double2 own_layer, double k)
{
    if (own) return own_layer;
    // static parts: the potential of a flat triangle and its derivative along n
    Vector c[3];
    for (int i = 0; i < 3; i++) c[i] = at(of.corners, 3 * (size_t)j + i) - x;
    Vector m = cross(c[1] - c[0], c[2] - c[0]);
    m = (1 / norm(m)) * m;
    double height = dot(c[0], m), above = fabs(height), total = 0, turning = 0;
    Vector gradient = {0, 0, 0};
    for (int i = 0; i < 3; i++) {
        Vector begin = c[i], end = c[(i + 1) % 3];
        Vector tangent = (1 / norm(end - begin)) * (end - begin);
        Vector outward = cross(tangent, m);
        double t0 = dot(begin, outward), s0 = dot(begin, tangent), s1 = dot(end, tangent);
        double r0 = norm(begin), r1 = norm(end), logarithm = 0, angle = 0;
        if (s0 + s1 > 0) {
            if (r0 + s0 > 0) logarithm = log((r1 + s1) / (r0 + s0));
        } else if (r1 - s1 > 0) {
            logarithm = log((r0 - s0) / (r1 - s1));
        }
        double foot2 = t0 * t0 + height * height;
        if (foot2 > 0)
            angle = atan(t0 * s1 / (foot2 + above * r1)) - atan(t0 * s0 / (foot2 + above * r0));
        total += t0 * logarithm - above * angle;
        gradient = gradient + logarithm * outward;
        turning += angle;
    }
    double side = height > 0 ? 1 : -1;
    if (above < 1e-10 * sqrt(dot(c[0], c[0]) + dot(c[1], c[1]) + dot(c[2], c[2]))) side = 0;
    gradient = gradient - (side * turning) * m;
    double re = total / FOUR_PI, im = -dot(gradient, n) / FOUR_PI * e / k;
    // the rest by the finer rule
    for (int q = 3; q < 10; q++) {
        Vector d = gauss_point(of.corners, j, q) - x;
        double r = norm(d), r_x = -dot(d, n) / r, co, si;
        sincos(k * r, &si, &co);
        double w = of.areas[j] * RULE[q][3] / (FOUR_PI * r), f = e / k * r_x / r;
        double b_re = -co - k * r * si + 1, b_im = k * r * co - si;
        re += w * (co - 1 - f * b_im);
        im += w * (si + f * b_re);
    }
    // less the far rule
    Vector d = at(of.centroids, j) - x, my = at(of.normals, j);
    double r = norm(d), r_x = -dot(d, n) / r, r_y = dot(d, my) / r, squared = r_y * r_y;
    double spread = 0.5 * of.moments[j] / (r * r);
    double static_r_x = r_x + spread * (r_x * (3 - 15 * squared) - 6 * dot(n, my) * r_y);
    double amplitude = of.areas[j] / (FOUR_PI * r)
                       * (1 - 0.5 * k * k * of.moments[j] * (1 - squared));
    double g_re = 1 + spread * (1 - 3 * squared) - e * static_r_x, g_im = -e * static_r_x / (k * r);
    double co, si;
    sincos(k * r, &si, &co);
    return {re - amplitude * (g_re * co - g_im * si), im - amplitude * (g_re * si + g_im * co)};
}

// Near corrections of all pairs, in single precision: what is left of them is small.
extern "C" __global__ void near_corrections(
    long long pairs, const int *point_of, const int *element_of, const signed char *image_of,
    const bool *fine, const double *static_k, const double *static_h, const double *signs,
    ELEMENTS, const double *coupling, const double2 *dynamic, double k, float2 *out)
{
    UNPACK_ELEMENTS
    long long p = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    if (p >= pairs) return;
    int i = point_of[p], j = element_of[p];
    Vector s = at(signs, image_of[p]);
    double2 value = near_double(
        mirrored(at(of.centroids, i), s), mirrored(at(of.normals, i), s), coupling[i], of, j,
        i == j && image_of[p] == 0, fine[p], static_k[p], static_h[p], dynamic[j], k);
    out[p] = make_float2(value.x, value.y);
}

// Add the near corrections and the diagonal to a filled matrix.
extern "C" __global__ void add_near(
    long long pairs, int rows, const int *point_of, const int *element_of, const float2 *values,
    float diagonal, float2 *matrix)
{
    long long p = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    if (p < pairs) {
        float *entry = (float *)(matrix + (size_t)element_of[p] * rows + point_of[p]);
        atomicAdd(entry, values[p].x);
        atomicAdd(entry + 1, values[p].y);
    }
    if (p < rows) atomicAdd((float *)(matrix + (size_t)p * rows + p), diagonal);
}

// Add near corrections times vectors to out, (vectors, rows).
extern "C" __global__ void add_near_product(
    int rows, const long long *start, const int *element_of, const float2 *values,
    int vectors, int elements, const float2 *vector, float2 *out)
{
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= rows) return;
    for (int v = 0; v < vectors; v++) {
        float2 sum = make_float2(0, 0);
        for (long long p = start[i]; p < start[i + 1]; p++) {
            float2 add = times(values[p], vector[(size_t)v * elements + element_of[p]]);
            sum.x += add.x;
            sum.y += add.y;
        }
        out[(size_t)v * rows + i].x += sum.x;
        out[(size_t)v * rows + i].y += sum.y;
    }
}

// As many right-hand sides are summed at once as registers hold well.
#define AT_ONCE 4

// The sum of a number over the threads of a warp; its first thread has it.
__device__ double over_warp(double value)
{
    for (int apart = 16; apart > 0; apart /= 2) value += __shfl_down_sync(~0u, value, apart);
    return value;
}

// Near part of 2 (K p - V q) at some elements, in double precision: out is (vectors, rows);
// a warp a row.
extern "C" __global__ void near_plain(
    int rows, const int *row, const long long *start, const int *element_of,
    const signed char *image_of, const bool *fine, const double *static_k, const double *signs,
    ELEMENTS, const bool *moving, const double2 *layer, double k,
    int vectors, int elements, const float2 *pressure, const float2 *gradient, double2 *out)
{
    UNPACK_ELEMENTS
    int thread = blockIdx.x * blockDim.x + threadIdx.x, r = thread / 32, lane = thread % 32;
    if (r >= rows) return;
    int i = row[r];
    for (int first = 0; first < vectors; first += AT_ONCE) {
        double2 sum[AT_ONCE] = {};
        for (long long p = start[i] + lane; p < start[i + 1]; p += 32) {
            int j = element_of[p];
            Vector s = at(signs, image_of[p]);
            Vector x = mirrored(at(of.centroids, i), s), n = mirrored(at(of.normals, i), s);
            bool own = i == j && image_of[p] == 0;
            double2 a = near_double(x, n, 0, of, j, own, fine[p], static_k[p], 0, {0, 0}, k);
            double2 b = {0, 0};
            if (moving[j]) b = near_single(x, n, 0, of, j, own, layer[j], k);
            for (int v = 0; v < AT_ONCE && first + v < vectors; v++) {
                size_t entry = (size_t)(first + v) * elements + j;
                float2 f = pressure[entry], g = gradient[entry];
                sum[v].x += 2 * (a.x * f.x - a.y * f.y - b.x * g.x + b.y * g.y);
                sum[v].y += 2 * (a.x * f.y + a.y * f.x - b.x * g.y - b.y * g.x);
            }
        }
        for (int v = 0; v < AT_ONCE && first + v < vectors; v++) {
            double re = over_warp(sum[v].x), im = over_warp(sum[v].y);
            if (lane == 0) out[(size_t)(first + v) * rows + r] = {re, im};
        }
    }
}

// Near part of (V + (ie/k) K') q: out is (vectors, rows); a warp a row.
extern "C" __global__ void near_excitation(
    int rows, const long long *start, const int *element_of, const signed char *image_of,
    const double *signs, ELEMENTS, const double *coupling, const bool *moving,
    const double2 *layer, double k, int vectors, const float2 *gradient, float2 *out)
{
    UNPACK_ELEMENTS
    long long thread = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    int i = thread / 32, lane = thread % 32;
    if (i >= rows) return;
    for (int first = 0; first < vectors; first += AT_ONCE) {
        double2 sum[AT_ONCE] = {};
        for (long long p = start[i] + lane; p < start[i + 1]; p += 32) {
            int j = element_of[p];
            if (!moving[j]) continue;
            Vector s = at(signs, image_of[p]);
            double2 a = near_single(
                mirrored(at(of.centroids, i), s), mirrored(at(of.normals, i), s), coupling[i],
                of, j, i == j && image_of[p] == 0, layer[j], k);
            for (int v = 0; v < AT_ONCE && first + v < vectors; v++) {
                float2 g = gradient[(size_t)(first + v) * rows + j];
                sum[v].x += a.x * g.x - a.y * g.y;
                sum[v].y += a.x * g.y + a.y * g.x;
            }
        }
        for (int v = 0; v < AT_ONCE && first + v < vectors; v++) {
            double re = over_warp(sum[v].x), im = over_warp(sum[v].y);
            if (lane == 0) {
                out[(size_t)(first + v) * rows + i].x += re;
                out[(size_t)(first + v) * rows + i].y += im;
            }
        }
    }
}

// Add factor times the near single layers of absorbing elements to a filled matrix.
extern "C" __global__ void add_near_columns(
    long long pairs, int rows, const int *point_of, const int *element_of,
    const signed char *image_of, const double *signs, ELEMENTS, const double *coupling,
    const bool *absorbing, const double2 *layer, double k, const float2 *factor, float2 *matrix)
{
    UNPACK_ELEMENTS
    long long p = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    if (p >= pairs || !absorbing[element_of[p]]) return;
    int i = point_of[p], j = element_of[p];
    Vector s = at(signs, image_of[p]);
    double2 a = near_single(
        mirrored(at(of.centroids, i), s), mirrored(at(of.normals, i), s), coupling[i], of, j,
        i == j && image_of[p] == 0, layer[j], k);
    float2 value = times(make_float2(a.x, a.y), factor[j]);
    float *entry = (float *)(matrix + (size_t)j * rows + i);
    atomicAdd(entry, value.x);
    atomicAdd(entry + 1, value.y);
}
