// Bundle adjustment of a rigid wand with Ceres: the reference that scripts/bench times our solver against.
//
// wand_ceres PROBLEM [dense|sparse|iterative] [THREADS] [ITERATIONS] [RELATIVE_DECREASE]
//
// PROBLEM is text, blank separated; angles radian, lengths mm, image points px:
//   wand-bundle 1
//   n_cameras n_frames n_markers n_points
//   n_markers lines   x y z                                       the wand
//   n_cameras lines   rx ry rz tx ty tz f cx cy k1 k2             start; cam_from_world as rotation vector and shift
//   n_cameras lines   mean (f cx cy k1 k2) sigma (f cx cy k1 k2)  weak priors; a sigma of 0 says none
//   n_frames lines    rx ry rz tx ty tz                           start; world_from_wand
//   n_points lines    camera frame marker u v sigma
//
// Minimises half the sum of ((observed - predicted) / sigma)^2 and of the priors, over every camera's pose and lens and
// every frame's pose. The gauge is left free, as Levenberg-Marquardt allows. Prints JSON: per iteration the cost and the
// wall time since Solve was called (Ceres' preprocessing counted, reading the file not), then the end values.

#include <ceres/ceres.h>
#include <ceres/rotation.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <memory>
#include <string>
#include <vector>

namespace {

constexpr int kCamera = 11;  // rotation, shift, f, cx, cy, k1, k2
constexpr int kLens = 5;

struct Reprojection {
  double marker[3], u, v, weight;

  template <typename T>
  bool operator()(const T* frame, const T* camera, T* residual) const {
    const T point[3] = {T(marker[0]), T(marker[1]), T(marker[2])};
    T world[3], cam[3];
    ceres::AngleAxisRotatePoint(frame, point, world);
    for (int i = 0; i < 3; ++i) world[i] += frame[3 + i];
    ceres::AngleAxisRotatePoint(camera, world, cam);
    for (int i = 0; i < 3; ++i) cam[i] += camera[3 + i];
    const T x = cam[0] / cam[2], y = cam[1] / cam[2];
    const T r2 = x * x + y * y;
    const T* lens = camera + 6;
    const T focal = lens[0] * (1.0 + r2 * (lens[3] + r2 * lens[4]));
    residual[0] = weight * (u - focal * x - lens[1]);
    residual[1] = weight * (v - focal * y - lens[2]);
    return true;
  }
};

struct LensPrior {
  std::array<double, kLens> mean, weight;

  template <typename T>
  bool operator()(const T* camera, T* residual) const {
    for (int i = 0; i < kLens; ++i) residual[i] = weight[i] * (camera[6 + i] - mean[i]);
    return true;
  }
};

class Reader {
 public:
  explicit Reader(const char* path) : file_(std::fopen(path, "r")), path_(path) {
    if (!file_) Fail("cannot be read");
  }
  ~Reader() { std::fclose(file_); }
  double Number() {
    double value;
    if (std::fscanf(file_, "%lf", &value) != 1) Fail("ends early or holds text where a number belongs");
    return value;
  }
  int Index(int limit) {
    const double value = Number();
    if (value < 0 || value >= limit || value != std::floor(value)) Fail("holds an index out of range");
    return static_cast<int>(value);
  }
  void Numbers(double* out, int n) {
    for (int i = 0; i < n; ++i) out[i] = Number();
  }
  void Word(const char* expected) {
    char word[32] = {0};
    if (std::fscanf(file_, "%31s", word) != 1 || std::strcmp(word, expected) != 0) Fail("is not a wand-bundle 1 file");
  }

 private:
  [[noreturn]] void Fail(const char* why) {
    std::fprintf(stderr, "%s %s\n", path_, why);
    std::exit(2);
  }
  std::FILE* file_;
  const char* path_;
};

void PrintRows(const char* name, const std::vector<double>& values, int width, const char* end) {
  std::printf("\"%s\": [", name);
  for (size_t i = 0; i < values.size(); ++i) {
    const size_t column = i % width;
    std::printf("%s%.17g%s", column ? ", " : (i ? ", [" : "["), values[i], column + 1 == size_t(width) ? "]" : "");
  }
  std::printf("]%s", end);
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 2 || argc > 6) {
    std::fprintf(stderr, "usage: wand_ceres PROBLEM [dense|sparse|iterative] [THREADS] [ITERATIONS] [RELATIVE_DECREASE]\n");
    return 2;
  }
  const std::string linear_solver = argc > 2 ? argv[2] : "dense";

  Reader in(argv[1]);
  in.Word("wand-bundle");
  in.Word("1");
  constexpr int kMany = 1 << 30;
  const int n_cameras = in.Index(kMany), n_frames = in.Index(kMany), n_markers = in.Index(kMany),
            n_points = in.Index(kMany);
  std::vector<double> markers(3 * n_markers), cameras(kCamera * n_cameras), frames(6 * n_frames);
  std::vector<LensPrior> priors(n_cameras);
  in.Numbers(markers.data(), 3 * n_markers);
  in.Numbers(cameras.data(), kCamera * n_cameras);
  for (LensPrior& prior : priors) {
    in.Numbers(prior.mean.data(), kLens);
    in.Numbers(prior.weight.data(), kLens);
    for (double& w : prior.weight) w = w > 0 ? 1.0 / w : 0.0;
  }
  in.Numbers(frames.data(), 6 * n_frames);

  ceres::Problem problem;
  // The owner of the blocks' order: frames first, as each meets the cameras alone.
  auto ordering = std::make_shared<ceres::ParameterBlockOrdering>();
  for (int i = 0; i < n_frames; ++i) {
    problem.AddParameterBlock(&frames[6 * i], 6);
    ordering->AddElementToGroup(&frames[6 * i], 0);
  }
  for (int i = 0; i < n_cameras; ++i) {
    double* camera = &cameras[kCamera * i];
    problem.AddParameterBlock(camera, kCamera);
    ordering->AddElementToGroup(camera, 1);
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<LensPrior, kLens, kCamera>(new LensPrior(priors[i])), nullptr, camera);
  }
  for (int i = 0; i < n_points; ++i) {
    const int camera = in.Index(n_cameras), frame = in.Index(n_frames), marker = in.Index(n_markers);
    auto* cost = new Reprojection;
    std::memcpy(cost->marker, &markers[3 * marker], sizeof cost->marker);
    cost->u = in.Number();
    cost->v = in.Number();
    cost->weight = 1.0 / in.Number();
    problem.AddResidualBlock(new ceres::AutoDiffCostFunction<Reprojection, 2, 6, kCamera>(cost), nullptr,
                             &frames[6 * frame], &cameras[kCamera * camera]);
  }

  ceres::Solver::Options options;
  if (linear_solver == "dense") {
    options.linear_solver_type = ceres::DENSE_SCHUR;
  } else if (linear_solver == "sparse") {
    options.linear_solver_type = ceres::SPARSE_SCHUR;
  } else if (linear_solver == "iterative") {
    options.linear_solver_type = ceres::ITERATIVE_SCHUR;
    options.preconditioner_type = ceres::SCHUR_JACOBI;
  } else {
    std::fprintf(stderr, "linear solver: expected dense, sparse or iterative, found %s\n", linear_solver.c_str());
    return 2;
  }
  options.linear_solver_ordering = ordering;
  options.num_threads = argc > 3 ? std::atoi(argv[3]) : 2;
  options.max_num_iterations = argc > 4 ? std::atoi(argv[4]) : 100;
  // Only these end the solve; the time to a given cost is read off the trace.
  options.function_tolerance = argc > 5 ? std::atof(argv[5]) : 1e-10;
  options.gradient_tolerance = 0.0;
  options.parameter_tolerance = 0.0;
  options.logging_type = ceres::SILENT;

  ceres::Solver::Summary summary;
  ceres::Solve(options, &problem, &summary);

  std::printf("{\"program\": \"ceres %s\", \"linear_solver\": \"%s\", \"threads\": %d, \"iterations\": [",
              CERES_VERSION_STRING, ceres::LinearSolverTypeToString(summary.linear_solver_type_used),
              summary.num_threads_used);
  for (size_t i = 0; i < summary.iterations.size(); ++i) {
    const auto& step = summary.iterations[i];
    std::printf("%s{\"seconds\": %.6f, \"cost\": %.17g, \"accepted\": %s}", i ? ", " : "",
                step.cumulative_time_in_seconds, step.cost, step.step_is_successful ? "true" : "false");
  }
  std::printf("], \"termination\": \"%s\", \"final_cost\": %.17g, ",
              ceres::TerminationTypeToString(summary.termination_type), summary.final_cost);
  std::printf("\"seconds\": {\"total\": %.6f, \"preprocess\": %.6f, \"residuals\": %.6f, \"jacobian\": %.6f, \"linear\": %.6f}, ",
              summary.total_time_in_seconds, summary.preprocessor_time_in_seconds,
              summary.residual_evaluation_time_in_seconds, summary.jacobian_evaluation_time_in_seconds,
              summary.linear_solver_time_in_seconds);
  PrintRows("cameras", cameras, kCamera, "}\n");
  return summary.IsSolutionUsable() ? 0 : 1;
}
