#include "optimise/ceres_maximiser.hpp"

#include <glog/logging.h>
#include <gtest/gtest.h>

#include <atomic>
#include <cmath>
#include <thread>
#include <vector>

// What a host program sees of a search: nothing on its terminal, and its own logging as it set it.

namespace moltspan::optimise {
namespace {

double bounded(const Eigen::VectorXd& x) { return x.norm() < 3 ? -std::pow(x[0] - 1, 4) - x[1] * x[1] : -INFINITY; }
double nowhere(const Eigen::VectorXd&) { return -INFINITY; }
double without_end(const Eigen::VectorXd& x) { return std::exp(x[0]); }

TEST(CeresMaximum, FindsWhereAFunctionIsHighest) {
  const Maximum found = ceres_maximum(bounded, Eigen::Vector2d(2, 1), 1e-4, 1e-11);
  EXPECT_TRUE(found.converged);
  EXPECT_NEAR(found.x[0], 1, 0.05);  // a fourth power is flat at its top
  EXPECT_NEAR(found.x[1], 0, 1e-4);
}

TEST(CeresMaximum, SaysNothingOnTheTerminalEvenWhereItFails) {
  testing::internal::CaptureStderr();
  EXPECT_FALSE(ceres_maximum(nowhere, Eigen::Vector2d(2, 1), 1e-4, 1e-11).converged);
  ceres_maximum(without_end, Eigen::VectorXd::Constant(1, 0.5), 1e-4, 1e-11);
  EXPECT_EQ(testing::internal::GetCapturedStderr(), "");
}

TEST(CeresMaximum, LeavesTheLoggingOfItsHostAlone) {
  const int before = FLAGS_minloglevel;
  std::atomic<bool> done{false};
  int changes = 0;
  std::thread host([&] {
    while (!done) changes += FLAGS_minloglevel != before;
  });
  std::vector<std::thread> searches;
  for (int t = 0; t < 4; ++t)
    searches.emplace_back([] {
      for (int i = 0; i < 50; ++i) ceres_maximum(bounded, Eigen::Vector2d(2, 1), 1e-4, 1e-11);
    });
  for (std::thread& search : searches) search.join();
  done = true;
  host.join();
  EXPECT_EQ(changes, 0);
  EXPECT_EQ(FLAGS_minloglevel, before);
}

}  // namespace
}  // namespace moltspan::optimise
