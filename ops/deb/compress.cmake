# Run by CPack between staging and packing: manual pages and changelogs are compressed the way Debian keeps them, with no
# name and no time inside, so that the same sources give the same package.
file(GLOB found ${CPACK_TEMPORARY_DIRECTORY}/*/usr/share/man/man*/*.[1-8]
  ${CPACK_TEMPORARY_DIRECTORY}/*/usr/share/doc/*/changelog)
if(NOT found)
  message(FATAL_ERROR "no manual pages in ${CPACK_TEMPORARY_DIRECTORY}")
endif()
foreach(file IN LISTS found)
  execute_process(COMMAND gzip -9nf ${file} COMMAND_ERROR_IS_FATAL ANY)
endforeach()
