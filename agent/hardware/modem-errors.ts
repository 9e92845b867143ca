import type { FaultCode } from '../terms/terms.js'

/**
 * What a modem means by the number after '+CME ERROR:' (3GPP TS 27.007, clause 9.2) and '+CMS ERROR:' (3GPP TS 27.005,
 * clause 3.2.5; 1-127 are causes of 3GPP TS 24.011 annex E, 128-255 of 3GPP TS 23.040 clause 9.2.3.22). The rarer ones are
 * from memory.
 */
export type ErrorFamily = 'CME' | 'CMS'

const ofDevice: Readonly<Record<number, string>> = {
  0: 'the modem failed',
  1: 'the modem has no connection to its radio part',
  2: 'the link to the radio part is reserved',
  3: 'the modem does not allow it now',
  4: 'the modem does not know this command',
  5: 'the SIM is locked to another device (PH-SIM PIN)',
  6: 'the device is locked to its first SIM (PH-FSIM PIN)',
  7: 'the device is locked to its first SIM (PH-FSIM PUK)',
  10: 'no SIM is inserted',
  11: 'the SIM asks for its PIN',
  12: 'the SIM is locked and asks for its PUK',
  13: 'the SIM failed',
  14: 'the SIM is busy',
  15: 'this SIM is not accepted',
  16: 'the PIN is wrong',
  17: 'the SIM asks for PIN2',
  18: 'the SIM asks for PUK2',
  20: 'the memory of the modem is full',
  21: 'no such place in the memory',
  22: 'not found',
  23: 'the memory of the modem failed',
  24: 'a text is too long for the modem',
  25: 'a text has characters that the modem does not take',
  26: 'the number is too long for the modem',
  27: 'the number has characters that the modem does not take',
  30: 'there is no network service',
  31: 'the network did not answer in time',
  32: 'the network takes emergency calls only',
  40: 'the modem is locked to a network and asks for its PIN',
  41: 'the modem is locked to a network and asks for its PUK',
  42: 'the modem is locked to part of a network and asks for its PIN',
  43: 'the modem is locked to part of a network and asks for its PUK',
  44: 'the modem is locked to a service provider and asks for its PIN',
  45: 'the modem is locked to a service provider and asks for its PUK',
  46: 'the modem is locked to a company and asks for its PIN',
  47: 'the modem is locked to a company and asks for its PUK',
  50: 'the modem does not take the values of this command',
  100: 'the modem says: unknown error',
  103: 'the network does not accept this SIM',
  106: 'the network does not accept this device',
  107: 'the network allows no data to this SIM',
  111: 'this network is not allowed for the SIM',
  112: 'this area is not allowed for the SIM',
  113: 'roaming is not allowed here',
  132: 'the network does not offer this service',
  133: 'the SIM has not subscribed to this service',
  134: 'this service is out of order for now',
  149: 'the network refused name or password of the data connection',
}

const ofMessage: Readonly<Record<number, string>> = {
  1: 'the number does not exist',
  8: 'the operator bars this SIM from sending messages',
  10: 'messages are barred for this SIM',
  17: 'the network failed',
  21: 'the network rejected the message (credit used up, or the number is not allowed)',
  22: 'the network is congested',
  27: 'the phone of the recipient cannot be reached',
  28: 'the network does not know this SIM',
  29: 'the network rejected the service',
  30: 'the network does not know the recipient',
  38: 'the network is out of order',
  41: 'the network failed for the moment',
  42: 'the network is congested',
  47: 'the network has no resources left',
  50: 'the SIM has not subscribed to messages',
  69: 'the network does not offer messages',
  81: 'the network lost the thread of the message',
  95: 'the network does not understand the message',
  96: 'the network misses something in the message',
  97: 'the network does not know this kind of message',
  98: 'the network did not expect this message now',
  99: 'the network does not know a part of the message',
  111: 'the network reports an error of the protocol',
  127: 'the network does not say why',
  128: 'the service centre cannot pass it on to this network',
  129: 'the recipient takes no short messages of this type',
  130: 'the recipient cannot replace a message',
  143: 'the service centre does not know this protocol',
  144: 'the recipient does not take this alphabet',
  145: 'the recipient does not take this message class',
  159: 'the recipient does not take this coding',
  160: 'the service centre cannot do what was asked',
  161: 'the service centre does not know what was asked',
  175: 'the service centre cannot do this',
  176: 'the service centre does not take this kind of message',
  192: 'the service centre is busy',
  193: 'the SIM has no subscription at the service centre',
  194: 'the service centre failed',
  195: 'the service centre says that the number is wrong',
  196: 'the service centre bars the recipient',
  197: 'the service centre takes the message for a double',
  198: 'the service centre does not take this kind of validity',
  199: 'the service centre does not take any validity',
  208: 'the message memory of the SIM is full',
  209: 'the SIM has no memory for messages',
  210: 'the device failed',
  211: 'the memory is full',
  212: 'the SIM is busy',
  213: 'the SIM could not take the data',
  255: 'the service centre does not say why',
  300: 'the modem failed',
  301: 'messages are reserved for something else in the modem',
  302: 'the modem does not allow it now',
  303: 'the modem cannot do this',
  304: 'the modem does not take a value (PDU mode)',
  305: 'the modem does not take a value (text mode)',
  310: 'no SIM is inserted',
  311: 'the SIM asks for its PIN',
  312: 'the SIM is locked to another device',
  313: 'the SIM failed',
  314: 'the SIM is busy',
  315: 'this SIM is not accepted',
  316: 'the SIM is locked and asks for its PUK',
  317: 'the SIM asks for PIN2',
  318: 'the SIM asks for PUK2',
  320: 'the memory of the modem failed',
  321: 'no such place in the memory',
  322: 'the message memory is full',
  330: 'the number of the service centre is not known',
  331: 'there is no network service',
  332: 'the network did not answer in time',
  340: 'no acknowledgement was expected',
  500: 'the modem says: unknown error',
}

/** First number that each maker fills as he likes. */
const makersOwn = 512

/** In words, with the number for those who look it up. */
export function errorWords(family: ErrorFamily | undefined, number: number | undefined): string {
  if (family === undefined || number === undefined) return 'the modem refused without saying why (ERROR)'
  const words = (family === 'CME' ? ofDevice : ofMessage)[number]
  const own = number >= makersOwn ? 'an error of the maker’s own' : 'an error that the standard reserves'
  return `${words ?? own} (+${family} ERROR: ${number})`
}

const faultsOfDevice: Readonly<Record<number, FaultCode>> = {
  10: 'sms-no-sim',
  11: 'sms-pin-missing',
  12: 'sms-puk',
  13: 'sms-no-sim',
  15: 'sms-no-sim',
  16: 'sms-pin-refused',
}
const faultsOfMessage: Readonly<Record<number, FaultCode>> = {
  310: 'sms-no-sim',
  311: 'sms-pin-missing',
  313: 'sms-no-sim',
  315: 'sms-no-sim',
  316: 'sms-puk',
}
/** Nothing but a person or another text can change these. */
const finalOfDevice = new Set([5, 6, 7, 24, 25, 26, 27, 40, 41, 42, 43, 44, 45, 46, 47, 50, 103, 106, 111])
const finalOfMessage = new Set([
  1, 8, 10, 21, 28, 29, 30, 50, 69, 128, 129, 144, 145, 193, 195, 196, 305, 312, 330,
])

/** The fault that an error is when a message was to be sent. Without a number nobody knows: it may work later. */
export function errorFault(family: ErrorFamily | undefined, number: number | undefined): FaultCode {
  if (family === undefined || number === undefined) return 'sms-failed'
  const [faults, final] =
    family === 'CME' ? [faultsOfDevice, finalOfDevice] : [faultsOfMessage, finalOfMessage]
  return faults[number] ?? (final.has(number) ? 'sms-refused' : 'sms-failed')
}
