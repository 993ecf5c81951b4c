"""Telling a lab's broker how a bench stands, and reading there how all benches stand (MQTT).

    run --publish ──> session file ──> publisher, a process of its own ──> broker ──> overview of all benches

The publisher follows the session file as a screen does. So a broker that is slow, absent or hostile never touches the
recorder, which needs no MQTT library.
"""
