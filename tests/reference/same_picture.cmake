# Fails unless what PROGRAM prints is what the file PICTURE holds.
execute_process(COMMAND ${PROGRAM} OUTPUT_VARIABLE drawn RESULT_VARIABLE result)
file(READ ${PICTURE} checked_in)
if(NOT result EQUAL 0 OR NOT drawn STREQUAL checked_in)
    message(FATAL_ERROR "${PICTURE} is not what draw_time_current draws; docs/supply.md has the command")
endif()
