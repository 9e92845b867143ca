import type { FaultCode } from '../terms/terms.js'

/**
 * What the return codes of MQTT 3.1.1 (1 to 5, OASIS standard section 3.2.2.3) and the reason codes of MQTT 5 (from 128,
 * section 2.4) say, in plain words.
 */
const words: Readonly<Record<number, string>> = {
  1: 'it does not speak this version of MQTT; try protocol 5 or 4',
  2: 'it does not take this client id',
  3: 'its service is not available now',
  4: 'user name or password are wrong',
  5: 'this user may not connect',
  128: 'no reason given',
  129: 'it calls a packet malformed',
  130: 'it calls a packet against the protocol',
  131: 'for a reason of its own',
  132: 'it does not speak this version of MQTT; try protocol 4',
  133: 'it does not take this client id',
  134: 'user name or password are wrong',
  135: 'there is no right to do this',
  136: 'its service is not available now',
  137: 'it is busy',
  138: 'this client is banned',
  139: 'it is shutting down',
  140: 'it wants another way to log in',
  141: 'no sign of life came in time',
  142: 'another client connected with the same client id',
  143: 'the topic filter is not valid there',
  144: 'the topic is not valid there',
  147: 'too many messages at once for it',
  149: 'the message is too large for it',
  150: 'messages come too fast for it',
  151: 'its quota is used up',
  152: 'somebody who runs it ended the connection',
  153: 'it does not take such a payload',
  154: 'it keeps no retained messages',
  155: 'it does not take QoS 1',
  156: 'it names another server for now',
  157: 'it has moved for good',
  159: 'connections come too often for it',
  160: 'a connection may not last longer there',
}

export const reasonWords = (code: number): string => words[code] ?? 'for a reason that is not in the standard'

const login = new Set([4, 5, 134, 135])
export const isLoginReason = (code: number): boolean => login.has(code)

/** Later the same message may be taken. */
const full = new Set([137, 147, 150, 151])
/** No message on this topic will be taken, whatever is in it. */
const denied = new Set([135, 138, 144])

/** Which fault a publish with this reason code (128 or more) is. */
export function publishFaultCode(code: number): FaultCode {
  if (full.has(code)) return 'broker-full'
  return denied.has(code) ? 'broker-denied' : 'broker-refused'
}
