# What find_package(pw_firmware CONFIG PATHS <this folder>) finds: the library pw_firmware.
if(NOT TARGET pw_firmware)
  add_subdirectory("${CMAKE_CURRENT_LIST_DIR}" "${CMAKE_CURRENT_BINARY_DIR}/pw_firmware")
endif()
