# Four Debian packages: the server, the command line, the client library and what programs are built with. Made by
# ops/package. What stands outside of the prefix is installed by its component alone, never by a plain `cmake --install`.
set(deb ${CMAKE_SOURCE_DIR}/ops/deb)
set(units ${CMAKE_SOURCE_DIR}/ops/systemd)

install(FILES ${units}/betonyd.service ${units}/betonyd-backup.service ${units}/betonyd-backup.timer
  DESTINATION /lib/systemd/system COMPONENT daemon EXCLUDE_FROM_ALL)
install(FILES ${units}/sysusers.conf DESTINATION /usr/lib/sysusers.d RENAME betony.conf
  COMPONENT daemon EXCLUDE_FROM_ALL)
install(FILES ${units}/tmpfiles.conf DESTINATION /usr/lib/tmpfiles.d RENAME betony.conf
  COMPONENT daemon EXCLUDE_FROM_ALL)
install(PROGRAMS ${units}/nightly-backup DESTINATION /usr/libexec/betony COMPONENT daemon EXCLUDE_FROM_ALL)
install(FILES ${units}/betonyd.conf DESTINATION /etc/betony COMPONENT daemon EXCLUDE_FROM_ALL)
install(FILES ${CMAKE_SOURCE_DIR}/ops/OPERATIONS.md DESTINATION /usr/share/doc/betonyd COMPONENT daemon EXCLUDE_FROM_ALL)
install(FILES ${CMAKE_SOURCE_DIR}/proto/PROTOCOL.md DESTINATION /usr/share/doc/libbetony-dev
  COMPONENT devel EXCLUDE_FROM_ALL)
foreach(pair daemon:betonyd cli:betony library:libbetony0 devel:libbetony-dev)
  string(REPLACE ":" ";" pair ${pair})
  list(GET pair 0 component)
  list(GET pair 1 name)
  install(FILES ${deb}/copyright ${deb}/changelog DESTINATION /usr/share/doc/${name}
    COMPONENT ${component} EXCLUDE_FROM_ALL)
  string(TOUPPER ${component} upper)
  set(CPACK_DEBIAN_${upper}_PACKAGE_NAME ${name})
endforeach()

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME betony)
set(CPACK_PACKAGE_VERSION ${PROJECT_VERSION})
set(CPACK_PACKAGE_CONTACT "The betony authors <maintainers@betony.example>")
set(CPACK_DEBIAN_PACKAGE_MAINTAINER ${CPACK_PACKAGE_CONTACT})
set(CPACK_PACKAGE_DIRECTORY ${CMAKE_BINARY_DIR}/packages)
set(CPACK_COMPONENTS_ALL daemon cli library devel)
set(CPACK_DEB_COMPONENT_INSTALL ON)
set(CPACK_SET_DESTDIR ON)
set(CPACK_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_PRE_BUILD_SCRIPTS ${deb}/compress.cmake)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_COMPRESSION_TYPE xz)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_GENERATE_SHLIBS ON)
set(CPACK_DEBIAN_PACKAGE_GENERATE_SHLIBS_POLICY >=)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)

set(CPACK_DEBIAN_DAEMON_PACKAGE_SECTION net)
set(CPACK_DEBIAN_CLI_PACKAGE_SECTION utils)
set(CPACK_DEBIAN_LIBRARY_PACKAGE_SECTION libs)
set(CPACK_DEBIAN_DEVEL_PACKAGE_SECTION libdevel)

set(CPACK_DEBIAN_DAEMON_DESCRIPTION "caseload server for children fed through a gastrostomy
betonyd keeps the record of a children's community nursing caseload, works out
from each event what the child needs next, and answers what is due, overdue or
open. It supports and does not replace clinical judgement.

In this version it answers on a Unix socket and on loopback only.")
set(CPACK_DEBIAN_CLI_DESCRIPTION "command line for the betony caseload server
betony records events, shows a child's page, lists what is due, overdue or
open, and loads events in bulk, in tables for people and JSON for programs.")
set(CPACK_DEBIAN_LIBRARY_DESCRIPTION "client library for the betony caseload server
libbetony speaks the server's protocol for programs in C: record, due, alerts,
patient, history and follow.")
set(CPACK_DEBIAN_DEVEL_DESCRIPTION "client library for the betony caseload server (development files)
The header, the static library, the manual and the description for pkg-config
of libbetony.")
set(CPACK_DEBIAN_DAEMON_PACKAGE_DEPENDS "systemd | systemd-standalone-sysusers, tzdata")
set(CPACK_DEBIAN_DAEMON_PACKAGE_RECOMMENDS "betony (= ${PROJECT_VERSION})")
set(CPACK_DEBIAN_CLI_PACKAGE_SUGGESTS betonyd)
set(CPACK_DEBIAN_DEVEL_PACKAGE_DEPENDS "libbetony0 (= ${PROJECT_VERSION}), libmsgpack-dev, libssl-dev")
set(CPACK_DEBIAN_DAEMON_PACKAGE_CONTROL_EXTRA ${deb}/conffiles ${deb}/postinst ${deb}/prerm ${deb}/postrm)
set(CPACK_DEBIAN_LIBRARY_PACKAGE_CONTROL_EXTRA ${deb}/triggers)
include(CPack)
