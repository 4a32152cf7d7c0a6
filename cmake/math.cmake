# moltspan::math: the mathematics as headers, on Eigen and Boost alone, and what `cmake --install BUILD --component development` writes.
include(CMakePackageConfigHelpers)

add_library(moltspan_math INTERFACE)
add_library(moltspan::math ALIAS moltspan_math)
set_target_properties(moltspan_math PROPERTIES EXPORT_NAME math)
target_compile_features(moltspan_math INTERFACE cxx_std_20)
target_include_directories(moltspan_math
  INTERFACE $<BUILD_INTERFACE:${PROJECT_SOURCE_DIR}/include> $<INSTALL_INTERFACE:${CMAKE_INSTALL_INCLUDEDIR}>)
# Public structs hold matrices: whoever links the compiled library must align and free them as it does, whatever vectors or
# sanitizers it is built for; one definition for both targets keeps a program that uses both to it.
target_compile_definitions(moltspan_math INTERFACE
  EIGEN_MAX_ALIGN_BYTES=16 EIGEN_MAX_STATIC_ALIGN_BYTES=16
  $<$<EQUAL:${CMAKE_SIZEOF_VOID_P},8>:EIGEN_MALLOC_ALREADY_ALIGNED=1>)
target_link_libraries(moltspan_math INTERFACE Eigen3::Eigen Boost::headers Threads::Threads)

set(moltspan_package_dir ${CMAKE_INSTALL_LIBDIR}/cmake/moltspan)
install(TARGETS moltspan_math EXPORT moltspanMathTargets COMPONENT development)
install(EXPORT moltspanMathTargets NAMESPACE moltspan:: DESTINATION ${moltspan_package_dir} COMPONENT development)
install(DIRECTORY ${PROJECT_SOURCE_DIR}/include/moltspan DESTINATION ${CMAKE_INSTALL_INCLUDEDIR} COMPONENT development)
install(FILES ${PROJECT_SOURCE_DIR}/LICENSE DESTINATION ${CMAKE_INSTALL_DOCDIR} COMPONENT development)
configure_package_config_file(${CMAKE_CURRENT_LIST_DIR}/moltspanConfig.cmake.in ${PROJECT_BINARY_DIR}/moltspanConfig.cmake
  INSTALL_DESTINATION ${moltspan_package_dir})
write_basic_package_version_file(${PROJECT_BINARY_DIR}/moltspanConfigVersion.cmake COMPATIBILITY SameMinorVersion)
install(FILES ${PROJECT_BINARY_DIR}/moltspanConfig.cmake ${PROJECT_BINARY_DIR}/moltspanConfigVersion.cmake
  DESTINATION ${moltspan_package_dir} COMPONENT development)
