from dataclasses import dataclass
@dataclass
class Pattern:
    kind:str='checkerboard'; columns:int=10; rows:int=7; square_mm:float=25.; marker_mm:float=18.; dictionary:str='DICT_5X5_100'
    def charuco_board(self):
        import cv2
        return cv2.aruco.CharucoBoard((self.columns,self.rows),self.square_mm,self.marker_mm,cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco,self.dictionary)))
